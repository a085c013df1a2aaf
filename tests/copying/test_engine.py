"""The engine on a real file system: what it copies, what it calls proven, and what it does when something breaks."""

from __future__ import annotations

import errno
import mmap
import os
import threading
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from copying.rig import Rig, Run
from rollproof.copying.plan import Action
from rollproof.copying.writer import WriteWays
from rollproof.models.events import CardFree, DriveDone
from rollproof.models.findings import Kind
from rollproof.models.names import PARTIAL_SUFFIX
from rollproof.models.requests import Cancel
from rollproof.models.volumes import Evidence, MediumWay
from rollproof.storage.posix import LinuxIo

CARD = {
    "C001.mov": 200_000, "C002.mov": 65_536, "C003.mov": 65_537, "sub/C004.mov": 1_000_000, "a.xml": 10, "b.xml": 0,
    "sub/deep/c.xml": 4096, "sub/deep/d.xml": 16_384, "e.xml": 16_385, "f.xml": 1, "g.xml": 2, "h.xml": 3,
}  # fmt: skip


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    made = Rig(tmp_path)
    made.fill(CARD)
    return made


def same(rig: Rig, drive: str, *, but: set[str] = frozenset()) -> bool:  # type: ignore[assignment]
    """Whether the drive holds exactly the card's files, bytes and times, except those named."""
    expected = {name for name in CARD if name not in but}
    found = {
        os.path.relpath(os.path.join(folder, name), rig.top / drive)
        for folder, _, names in os.walk(rig.top / drive)
        for name in names
    }
    return found == expected and all(
        (rig.top / drive / name).read_bytes() == (rig.card / name).read_bytes()
        and (rig.top / drive / name).stat().st_mtime_ns == (rig.card / name).stat().st_mtime_ns
        for name in expected
    )


def leftovers(rig: Rig) -> list[str]:
    """Unfinished files on any drive."""
    return [str(path) for path in rig.top.rglob(f"*{PARTIAL_SUFFIX.decode()}")]


def assert_all_proven(run: Run, drive: str) -> None:
    assert run.proven(drive) == {entry.path for entry in run.snapshot.files}


def test_every_file_arrives_on_every_drive_and_is_proven_from_the_medium(rig: Rig) -> None:
    run = rig.run()
    for drive in rig.drives:
        assert same(rig, drive)
        assert_all_proven(run, drive)
        assert run.board.readback_evidence(drive) is Evidence.MEDIUM
    assert run.board.source_evidence(0) is run.board.source_evidence(1) is Evidence.MEDIUM
    assert leftovers(rig) == []


def test_every_algorithm_comes_from_the_one_read_that_was_copied(tmp_path: Path) -> None:
    names = ("xxh128", "xxh3", "xxh64", "md5", "sha1", "sha256", "c4", "blake3")
    rig = Rig(tmp_path, drives=("one",), algorithms=names)
    rig.fill({"C001.mov": 150_000})
    reads: list[int] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and name == b"C001.mov" and given[2] == 0:
            reads.append(given[0])

    run = rig.run(io=HookedIo(hook))
    import hashlib  # noqa: PLC0415

    content = (rig.card / "C001.mov").read_bytes()
    hashes = run.board.hashes(0)
    assert set(hashes) == set(names)
    assert hashes["md5"] == hashlib.md5(content).hexdigest()
    assert hashes["sha256"] == hashlib.sha256(content).hexdigest()
    assert len(reads) == 3  # the first read, the second read of the card, the read-back


def test_without_the_second_read_nothing_is_proven(rig: Rig) -> None:
    run = rig.run(passes=1)
    assert run.proven("one") == set()
    assert all(run.board.is_copied("one", number) for number in range(len(run.snapshot.files)))


def test_reads_that_a_cache_may_have_answered_prove_nothing(rig: Rig) -> None:
    rig.way = MediumWay.NONE
    run = rig.run()
    assert same(rig, "one")
    assert run.proven("one") == set()
    assert run.board.readback_evidence("one") is Evidence.CACHE


def flip_once(path: bytes, operation: str) -> HookedIo:
    """Flip one bit in the first block of a file, on its way in or out."""
    done: list[bool] = []
    raw = LinuxIo()

    def hook(called: str, name: bytes, given: tuple[Any, ...]) -> int | None:
        if called != operation or not name.startswith(path) or given[2] != 0 or done:
            return None
        handle, view, offset = given
        done.append(True)
        if operation == "read":
            count = raw.read_into(handle, view, offset)
            view[0] ^= 1
            return count
        # the buffer is everybody's: flip in a copy, aligned as direct writes want it
        with mmap.mmap(-1, len(view)) as other:
            other[:] = bytes(view)
            other[0] ^= 1
            copy = memoryview(other)
            count = raw.write_from(handle, copy, offset)
            copy.release()
            return count

    return HookedIo(hook)


def test_a_bit_flipped_on_its_way_to_one_drive_is_found_there_and_only_there(rig: Rig) -> None:
    run = rig.run(io=flip_once(b"C001.mov.rollproof-partial", "write"))
    bad = [drive for drive in rig.drives if b"C001.mov" not in run.proven(drive)]
    assert len(bad) == 1
    assert [finding.kind for finding in run.board.copy_findings(bad[0])] == [Kind.READBACK_DIFFERS]
    assert run.board.is_suspect(bad[0], run.number(b"C001.mov"))


def test_a_card_that_answers_differently_the_second_time_proves_no_copy_of_that_file(rig: Rig) -> None:
    run = rig.run(io=flip_once(b"C003.mov", "read"))
    for drive in rig.drives:
        assert run.proven(drive) == {entry.path for entry in run.snapshot.files} - {b"C003.mov"}
    assert [finding.kind for finding in run.board.source_findings] == [Kind.SOURCE_READS_DIFFER]


@pytest.mark.parametrize("name", ["C001.mov", "a.xml"])
def test_a_file_that_cannot_be_read_is_named_with_its_bytes_and_the_rest_is_proven(rig: Rig, name: str) -> None:
    def hook(operation: str, called: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and called == name.encode() and given[2] in (0, 65_536):
            raise OSError(errno.EIO, "Input/output error")

    run = rig.run(io=HookedIo(hook))
    for drive in rig.drives:
        assert same(rig, drive, but={name})
        assert run.proven(drive) == {entry.path for entry in run.snapshot.files} - {name.encode()}
    (finding,) = [found for found in run.board.source_findings if found.kind is Kind.UNREADABLE]
    assert f"bytes 0 to {min(CARD[name], 65_536) - 1:,} of {name}" in finding.detail
    assert leftovers(rig) == []


def test_a_block_that_can_be_read_at_the_second_try_costs_nothing(rig: Rig) -> None:
    tries: list[int] = []

    def hook(operation: str, called: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and called == b"C001.mov" and not tries:
            tries.append(1)
            raise OSError(errno.EIO, "Input/output error")

    run = rig.run(io=HookedIo(hook))
    assert tries
    assert_all_proven(run, "one")


@pytest.mark.parametrize("name", ["C001.mov", "f.xml"], ids=["large", "small"])
def test_a_file_whose_own_flush_failed_never_gets_its_name_where_a_volume_cannot_be_flushed(
    rig: Rig, name: str
) -> None:
    rig.ways = WriteWays(direct=False, allocate=False, volume_flush=False)
    failed: list[str] = []

    def hook(called: str, _name: bytes, given: tuple[Any, ...]) -> None:
        if called != "flush" or failed:
            return
        path = os.readlink(f"/proc/self/fd/{given[0]}")
        if path.startswith(str(rig.top / "one")) and path.endswith(f"/{name}.rollproof-partial"):
            failed.append(path.removesuffix(".rollproof-partial"))
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    run = rig.run(io=HookedIo(hook))
    assert failed
    assert not os.path.exists(failed[0])
    assert {lane.drive: lane.state for lane in run.outcome.lanes} == {"one": "failed", "two": "sealed"}
    assert_all_proven(run, "two")


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.ENODEV, errno.EROFS])
@pytest.mark.parametrize("operation", ["write", "flush", "flush_volume", "rename", "create"])
def test_a_drive_that_fails_is_named_and_the_other_is_proven(rig: Rig, operation: str, code: int) -> None:
    victim = os.fsencode(rig.top / "one")
    real = LinuxIo()
    inside: set[int] = set()

    class OneBadDrive(HookedIo):
        def open_folder(self, name: bytes, folder: int) -> int:
            handle = super().open_folder(name, folder)
            if os.readlink(f"/proc/self/fd/{handle}").encode().startswith(victim):
                inside.add(handle)
            return handle

    def hook(called: str, name: bytes, given: tuple[Any, ...]) -> None:
        if called != operation:
            return
        place = given[-1] if called == "rename" else given[0]
        if called == "create":
            return
        if os.readlink(f"/proc/self/fd/{place}").encode().startswith(victim):
            raise OSError(code, os.strerror(code))

    class Io(OneBadDrive):
        def create(self, name: bytes, folder: int, *, direct: bool) -> int:
            if operation == "create" and os.readlink(f"/proc/self/fd/{folder}").encode().startswith(victim):
                raise OSError(code, os.strerror(code))
            return super().create(name, folder, direct=direct)

    assert real.name == "linux"
    run = rig.run(io=Io(hook))
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    assert lanes["one"].state == "failed"
    assert lanes["one"].failure is not None
    assert lanes["one"].failure.drive == "one"
    assert lanes["one"].failure.kind in (Kind.DRIVE_FAILED, Kind.DRIVE_FULL, Kind.DRIVE_GONE)
    assert lanes["two"].state == "sealed"
    assert_all_proven(run, "two")
    assert same(rig, "two")
    assert leftovers(rig) == []
    for path in (rig.top / "one").rglob("*.mov"):
        name = str(path.relative_to(rig.top / "one"))
        assert path.read_bytes() == (rig.card / name).read_bytes()  # what has its final name is whole


def test_a_drive_that_hangs_is_left_behind_and_the_others_are_proven(rig: Rig) -> None:
    let_go = threading.Event()
    victim = os.fsencode(rig.top / "one")

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "write" and os.readlink(f"/proc/self/fd/{given[0]}").encode().startswith(victim):
            let_go.wait(30)

    try:
        run = rig.run(io=HookedIo(hook))
    finally:
        let_go.set()
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    assert run.outcome.hangs
    assert lanes["one"].failure is not None
    assert lanes["one"].failure.kind is Kind.DRIVE_HANGS
    assert_all_proven(run, "two")


def test_short_writes_and_short_reads_are_gone_on_with(rig: Rig) -> None:
    real = LinuxIo()

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> int | None:
        if operation == "write" and len(given[1]) > 8192:
            return real.write_from(given[0], given[1][:5000], given[2])
        if operation == "read" and len(given[1]) > 8192:
            return real.read_into(given[0], given[1][:8192], given[2])
        return None

    rig.ways = rig.ways.__class__(direct=False)
    run = rig.run(io=HookedIo(hook))
    assert same(rig, "one")
    assert_all_proven(run, "two")


def test_a_file_system_that_refuses_direct_io_is_written_and_read_through_the_cache(rig: Rig) -> None:
    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation in ("create", "open_read") and given[0]:
            raise OSError(errno.EINVAL, "Invalid argument")

    run = rig.run(io=HookedIo(hook))
    assert same(rig, "one")
    assert run.proven("one") == set()  # and nothing may be called proven from a cache


def test_a_file_that_appears_under_a_final_name_is_left_as_it_is(rig: Rig) -> None:
    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "rename" and name == b"C002.mov":
            place = os.readlink(f"/proc/self/fd/{given[1]}")
            (Path(place) / "C002.mov").write_bytes(b"a stranger's")

    run = rig.run(io=HookedIo(hook))
    assert (rig.top / "one" / "C002.mov").read_bytes() == b"a stranger's"
    assert b"C002.mov" not in run.proven("one")
    assert [finding.kind for finding in run.board.copy_findings("one")] == [Kind.DIFFERENT_CONTENT]
    assert leftovers(rig) == []


def test_what_is_there_already_is_hashed_and_never_written(rig: Rig) -> None:
    rig.run()
    written: list[bytes] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "write":
            written.append(name)

    actions = dict.fromkeys(rig.drives, bytes([Action.HASH]) * len(CARD))
    run = rig.run(io=HookedIo(hook), actions=actions)
    assert written == []
    assert_all_proven(run, "one")


def test_what_is_there_with_other_bytes_is_found_and_left(rig: Rig) -> None:
    rig.run()
    victim = rig.top / "one" / "C001.mov"
    before = victim.stat()
    content = bytearray(victim.read_bytes())
    content[100_000] ^= 1
    victim.write_bytes(content)
    os.utime(victim, ns=(before.st_mtime_ns, before.st_mtime_ns))
    actions = dict.fromkeys(rig.drives, bytes([Action.HASH]) * len(CARD))
    run = rig.run(actions=actions)
    assert run.proven("one") == {entry.path for entry in run.snapshot.files} - {b"C001.mov"}
    assert victim.read_bytes() == bytes(content)
    assert_all_proven(run, "two")


def test_a_suspect_is_replaced_only_once_the_fresh_copy_is_proven(rig: Rig) -> None:
    rig.run()
    suspect = rig.top / "one" / "C001.mov"
    suspect.write_bytes(b"x" * CARD["C001.mov"])
    actions = bytearray([Action.HASH]) * len(CARD)
    number = 0
    actions[number] = Action.REPLACE
    seen: list[bytes] = []
    run = rig.run(
        actions={"one": bytes(actions), "two": bytes([Action.HASH]) * len(CARD)},
        on_event=lambda event: seen.append(suspect.read_bytes()[:1]) if isinstance(event, CardFree) else None,
    )
    assert run.snapshot.files[number].path == b"C001.mov"
    assert seen == [b"x"]  # still there when the last read of the card ended
    assert same(rig, "one")
    assert_all_proven(run, "one")


@pytest.mark.parametrize("lost", ["remove", "rename"])
def test_a_fresh_copy_whose_final_name_was_silently_lost_is_never_called_proven(rig: Rig, lost: str) -> None:
    """The drive answers that it took the suspect away, or renamed the fresh copy, and did not."""
    rig.run()
    suspect = rig.top / "one" / "C001.mov"
    suspect.write_bytes(b"x" * CARD["C001.mov"])
    actions = bytearray([Action.HASH]) * len(CARD)
    actions[0] = Action.REPLACE

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> int | None:
        return 0 if operation == lost and name == b"C001.mov" else None

    class Losing(HookedIo):
        def remove(self, name: bytes, folder: int) -> None:
            if hook("remove", name, (folder,)) is None:
                super().remove(name, folder)

    run = rig.run(io=Losing(hook), actions={"one": bytes(actions), "two": bytes([Action.HASH]) * len(CARD)})
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    assert (lanes["one"].state, lanes["two"].state) == ("failed", "sealed")


def test_a_suspect_stays_when_the_fresh_copy_cannot_be_proven(rig: Rig) -> None:
    rig.run()
    suspect = rig.top / "one" / "C001.mov"
    suspect.write_bytes(b"x" * CARD["C001.mov"])
    actions = bytearray([Action.HASH]) * len(CARD)
    actions[0] = Action.REPLACE
    run = rig.run(
        io=flip_once(b"C001.mov.rollproof-partial", "write"),
        actions={"one": bytes(actions), "two": bytes([Action.HASH]) * len(CARD)},
    )
    assert suspect.read_bytes()[:1] == b"x"
    assert b"C001.mov" not in run.proven("one")
    assert leftovers(rig) == []


def test_ctrl_c_ends_within_two_seconds_and_leaves_no_half_file_under_a_final_name(rig: Rig) -> None:
    rig.fill({f"big{number}.mov": 3_000_000 for number in range(8)})
    cancel = Cancel()
    run = rig.run(cancel=cancel, on_event=lambda event: cancel.set() if "Moved" in type(event).__name__ else None)
    assert run.outcome.interrupted
    assert run.works["one"].interrupted
    assert leftovers(rig) == []
    for path in (rig.top / "one").rglob("*.*"):
        assert path.read_bytes() == (rig.card / path.relative_to(rig.top / "one")).read_bytes()


def test_a_card_that_goes_away_ends_the_offload_and_is_named(rig: Rig) -> None:
    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and name == b"sub/C004.mov".rpartition(b"/")[2]:
            raise OSError(errno.ENODEV, "No such device")

    run = rig.run(io=HookedIo(hook))
    assert run.outcome.source_failure is not None
    assert run.outcome.source_failure.kind is Kind.CARD_MISSING
    assert run.proven("one") == set()
    assert leftovers(rig) == []


def test_the_card_is_free_before_a_drive_is_done_and_both_are_said_once(rig: Rig) -> None:
    run = rig.run()
    kinds = [type(event) for event in run.events]
    assert kinds.count(CardFree) == 1
    assert kinds.count(DriveDone) == len(rig.drives)
    assert kinds.index(CardFree) < kinds.index(DriveDone)


def test_an_empty_folder_arrives(rig: Rig) -> None:
    (rig.card / "empty" / "inside").mkdir(parents=True)
    rig.run()
    assert (rig.top / "two" / "empty" / "inside").is_dir()


def is_free(run: Run) -> bool:
    """Whether the card was said to be free, once and without a but."""
    (free,) = [event for event in run.events if isinstance(event, CardFree)]
    return not free.read_again


def test_a_card_that_was_read_well_is_free(rig: Rig) -> None:
    assert is_free(rig.run())


def test_a_card_that_was_read_once_has_to_be_read_again(rig: Rig) -> None:
    assert not is_free(rig.run(passes=1))


@pytest.mark.parametrize("which", [1, 2], ids=["the first read", "the second read"])
def test_a_card_with_a_file_that_could_not_be_read_has_to_be_read_again(rig: Rig, which: int) -> None:
    card = os.fsencode(rig.card)
    seen: list[int] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation != "read" or name != b"C001.mov" or given[2] != 0:
            return
        if os.readlink(b"/proc/self/fd/%d" % given[0]).startswith(card):
            seen.append(given[0])
            if len(seen) >= which:
                raise OSError(errno.EIO, "Input/output error")

    assert not is_free(rig.run(io=HookedIo(hook)))
    assert len(seen) >= which
