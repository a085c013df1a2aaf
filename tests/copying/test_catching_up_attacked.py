"""Catching up, while everything around it goes wrong: the drive that gives, the one that gets, the card, the person."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from copying.gate import FILES, IMPATIENT, WAIT, Gate, card_reads, kinds, lies_on, opened_by
from copying.rig import Rig, Run, Work, listing
from rollproof.copying.engine import LaneOutcome
from rollproof.copying.plan import Action
from rollproof.models.events import DriveDone, Event, Leg, LegStarted, Moved
from rollproof.models.findings import Finding, Kind
from rollproof.models.requests import Cancel
from rollproof.reading.buffers import Buffer
from rollproof.storage.medium import MediumAccess

ALL = {os.fsencode(name) for name in FILES}
TIME = 1_700_000_000_123_456_789
BAD = "CLIPS/A003C007.mov"


def catches_up() -> bool:
    """Whether the calling thread reads another drive's copy for "two"."""
    return threading.current_thread().name.startswith("catch-up-two")


def lane(run: Run, drive: str) -> LaneOutcome:
    """How one drive came out."""
    return next(lane for lane in run.outcome.lanes if lane.drive == drive)


def unfinished(rig: Rig, drive: str) -> list[Path]:
    """Half-written files on a drive."""
    return list((rig.top / drive).rglob("*.rollproof-partial"))


def told(run: Run, drive: str) -> list[bool]:
    """For each word that a drive is done, whether it had to stay."""
    return [event.needed is not None for event in run.events if isinstance(event, DriveDone) and event.drive == drive]


def whole(rig: Rig, drive: str) -> None:
    """Whatever has a final name is what the card holds."""
    for path in (rig.top / drive).rglob("*"):
        if path.is_file() and path.suffix != ".rollproof-partial":
            assert path.read_bytes() == (rig.card / path.relative_to(rig.top / drive)).read_bytes(), path


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    made = Rig(tmp_path, settings=IMPATIENT)
    made.fill(FILES)
    return made


def slow(rig: Rig, hook: Callable[..., Any] = lambda *call: None) -> tuple[HookedIo, Gate]:
    """A system on which drive "two" falls behind, and `hook` does its worst."""
    gate = Gate(rig.top, "two")

    def both(operation: str, name: bytes, arguments: tuple[Any, ...]) -> Any:
        answer = hook(operation, name, arguments)
        return answer if answer is not None else gate(operation, name, arguments)

    return HookedIo(both), gate


# --- the drive that gives


class Pulled:
    """Drive "one" goes away at the third block that is read from it for "two"."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.reads = 0

    def __call__(self, operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and catches_up() and lies_on("one", self.top, arguments[0]):
            self.reads += 1
            if self.reads >= 3:
                raise OSError(errno.ENODEV, "No such device")


def test_a_giving_drive_that_goes_away_is_followed_by_the_next_one(rig: Rig) -> None:
    rig.drives = ("one", "two", "three")
    io, gate = slow(rig, Pulled(rig.top))
    run = rig.run(io=io, on_event=opened_by(gate, drives=2))
    assert run.proven("two") == run.proven("three") == ALL
    assert card_reads(run) == 2
    assert not unfinished(rig, "two")
    whole(rig, "two")


def test_a_giving_drive_that_goes_away_as_the_only_one_leaves_whole_files_and_a_rerun_copies_only_the_rest(
    rig: Rig,
) -> None:
    io, gate = slow(rig, Pulled(rig.top))
    run = rig.run(io=io, on_event=opened_by(gate))
    assert lane(run, "two").state == "failed"
    assert run.works["two"].interrupted
    assert not unfinished(rig, "two")
    whole(rig, "two")
    there = {os.fsencode(path.relative_to(rig.top / "two")) for path in (rig.top / "two").rglob("*") if path.is_file()}
    assert there < ALL
    created: list[bytes] = []

    def watch(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "create":
            created.append(name)

    actions = {
        "one": bytes([Action.HASH]) * len(ALL),
        "two": bytes(Action.HASH if entry.path in there else Action.COPY for entry in listing(rig.card).files),
    }
    again = rig.run(io=HookedIo(watch), actions=actions)
    assert again.proven("two") == ALL
    assert len(created) == len(ALL) - len(there)


def test_a_giving_drive_that_hangs_is_given_up_and_its_handles_are_left_alone(rig: Rig) -> None:
    rig.drives = ("one", "two", "three")
    rig.settings = replace(IMPATIENT, stall_seconds=1.5, workers_end_seconds=0.1)
    end = threading.Event()

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and catches_up() and lies_on("one", rig.top, arguments[0]):
            end.wait(WAIT)

    io, gate = slow(rig, hook)
    try:
        run = rig.run(io=io, on_event=opened_by(gate, drives=2))
    finally:
        end.set()
    assert run.proven("one") == run.proven("two") == run.proven("three") == ALL
    assert run.outcome.hangs, "a read that is still under way uses its handles"


def test_a_file_that_stood_on_the_giving_drive_with_other_content_is_not_passed_on(rig: Rig) -> None:
    other = rig.top / "one" / BAD
    other.parent.mkdir(parents=True)
    other.write_bytes(b"x" * FILES[BAD])
    os.utime(other, ns=(TIME, TIME))
    actions = bytes(Action.HASH if entry.path == os.fsencode(BAD) else Action.COPY for entry in listing(rig.card).files)
    io, gate = slow(rig)
    run = rig.run(io=io, actions={"one": actions}, on_event=opened_by(gate))
    assert run.proven("one") == run.proven("two") == ALL - {os.fsencode(BAD)}
    assert not (rig.top / "two" / BAD).exists()
    assert lane(run, "two").failure is None


def test_a_fresh_copy_that_gets_its_final_name_just_before_it_is_read_is_found_there(rig: Rig) -> None:
    suspect = rig.top / "one" / BAD
    suspect.parent.mkdir(parents=True)
    suspect.write_bytes(b"x" * FILES[BAD])
    fresh = suspect.with_name(suspect.name + ".rollproof-partial")
    seen: list[bool] = []
    asked = threading.Event()

    def settle(cancel: Cancel) -> list[Finding]:
        asked.wait(WAIT)  # no suspect is replaced before the card is settled
        return []

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "open_read" and catches_up() and name == os.fsencode(fresh.name):
            asked.set()
            waits = threading.Event()
            for _ in range(1000):
                if not fresh.exists():
                    break
                waits.wait(0.01)
            seen.append(fresh.exists())

    actions = bytes(
        Action.REPLACE if entry.path == os.fsencode(BAD) else Action.COPY for entry in listing(rig.card).files
    )
    io, gate = slow(rig, hook)
    run = rig.run(io=io, actions={"one": actions}, on_event=opened_by(gate), settle=settle)
    assert seen, "it was looked for under its unfinished name"
    assert not seen[0]
    assert run.proven("one") == run.proven("two") == ALL
    whole(rig, "one")


def test_nothing_is_read_for_others_before_the_read_back_has_seen_that_no_cache_holds_the_copies(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    early = threading.Event()
    hurried: list[bool] = []

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and catches_up():
            early.set()

    def begin_pass(self: MediumAccess) -> None:
        if threading.current_thread().name == "drive-one":
            gate.open.set()
            hurried.append(early.wait(1.0))

    io, gate = slow(rig, hook)
    monkeypatch.setattr(MediumAccess, "begin_pass", begin_pass)
    run = rig.run(io=io)
    assert hurried == [False]
    assert run.proven("two") == ALL


def test_a_spinning_disk_gives_only_when_it_has_been_read_back(rig: Rig) -> None:
    rig.rotational = ("one",)
    order: list[str] = []

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and lies_on("one", rig.top, arguments[0]):
            order.append("for two" if catches_up() else "read-back")

    io, gate = slow(rig, hook)
    run = rig.run(io=io, on_event=lambda event: gate.open.set() if kinds_of(event) is Kind.FELL_BEHIND else None)
    assert run.proven("one") == run.proven("two") == ALL
    assert order == sorted(order, key=["read-back", "for two"].index)


def kinds_of(event: Event) -> Kind | None:
    """The kind of a finding, of an event that tells one."""
    finding = getattr(event, "finding", None)
    return finding.kind if finding is not None else None


# --- the drive that gets


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.ENODEV, errno.EIO])
@pytest.mark.parametrize("operation", ["write", "create", "rename", "flush_volume"])
def test_a_slow_drive_that_fails_while_it_catches_up_fails_alone(rig: Rig, operation: str, number: int) -> None:
    catching = threading.Event()

    def hook(made: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if made == operation and catching.is_set() and threading.current_thread().name == "drive-two":
            raise OSError(number, os.strerror(number))

    def on_event(event: Event) -> None:
        opening(event)
        if isinstance(event, Moved) and event.leg is Leg.CATCH_UP:
            catching.set()

    io, gate = slow(rig, hook)
    opening = opened_by(gate)
    run = rig.run(io=io, on_event=on_event)
    assert catching.is_set()
    failure = lane(run, "two").failure
    assert failure is not None
    assert failure.drive == "two"
    assert lane(run, "one").state == "sealed"
    assert run.proven("one") == ALL
    assert told(run, "one")[-1] is False, "nobody needs it any more"
    whole(rig, "two")


def test_a_slow_drive_that_hangs_while_it_catches_up_is_left_and_the_other_may_be_unplugged(rig: Rig) -> None:
    rig.settings = replace(IMPATIENT, stall_seconds=1.5)
    sealed, end = threading.Event(), threading.Event()

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "write" and gate.open.is_set() and threading.current_thread().name == "drive-two":
            end.wait(WAIT)

    def on_event(event: Event) -> None:
        if isinstance(event, DriveDone):
            sealed.set()
            gate.open.set()

    io, gate = slow(rig, hook)
    try:
        run = rig.run(io=io, on_event=on_event)
    finally:
        end.set()
    assert sealed.is_set()
    failure = lane(run, "two").failure
    assert failure is not None
    assert failure.kind is Kind.DRIVE_HANGS
    assert run.proven("one") == ALL
    assert told(run, "one") == [True, False]


def test_a_suspect_on_the_slow_drive_stays_when_no_drive_has_a_good_copy_of_it(rig: Rig) -> None:
    suspect = rig.top / "two" / BAD
    suspect.parent.mkdir(parents=True)
    suspect.write_bytes(b"x" * FILES[BAD])

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and catches_up() and name == os.fsencode(Path(BAD).name):
            raise OSError(errno.EIO, "Input/output error")

    actions = bytes(
        Action.REPLACE if entry.path == os.fsencode(BAD) else Action.COPY for entry in listing(rig.card).files
    )
    io, gate = slow(rig, hook)
    run = rig.run(io=io, actions={"two": actions}, on_event=opened_by(gate))
    assert lane(run, "two").failure is None, "one file is no reason to fail the drive"
    assert Kind.SUSPECT_KEPT in {finding.kind for finding in run.board.copy_findings("two")}
    assert suspect.read_bytes() == b"x" * FILES[BAD]
    assert run.proven("two") == ALL - {os.fsencode(BAD)}
    assert not unfinished(rig, "two")


def test_a_drive_that_hangs_after_it_failed_does_not_keep_the_end_from_coming(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.settings = replace(IMPATIENT, stall_seconds=1.0)
    end = threading.Event()

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and lies_on("one", rig.top, arguments[0]):
            raise OSError(errno.ENODEV, "No such device")

    monkeypatch.setattr(Work, "note_interrupted", lambda self: end.wait(WAIT) if self.path.name == "one" else None)
    runs: list[Run] = []
    running = threading.Thread(target=lambda: runs.append(rig.run(io=HookedIo(hook))), daemon=True)
    running.start()
    running.join(WAIT / 2)
    end.set()
    assert runs, "the offload waited for a drive that does not answer"
    assert runs[0].proven("two") == ALL


def test_two_slow_drives_do_not_wait_for_each_other_when_the_fast_one_is_gone(rig: Rig) -> None:
    rig.drives = ("one", "two", "three")
    other = Gate(rig.top, "three")

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> Any:
        if operation == "read" and lies_on("one", rig.top, arguments[0]):
            gate.open.set()
            other.open.set()
            raise OSError(errno.ENODEV, "No such device")
        return other(operation, name, arguments)

    io, gate = slow(rig, hook)
    run = rig.run(io=io)
    assert not gate.waited_in_vain
    for drive in ("two", "three"):
        failure = lane(run, drive).failure
        assert failure is not None
        assert "fell behind" in failure.detail


# --- the card and the person


def test_files_that_the_card_does_not_give_are_no_fault_of_the_slow_drive_and_none_of_the_giving_one(rig: Rig) -> None:
    # "two" stands still at the second of these, and begins to catch up at the first file that nobody has
    given = {"AA/A.mov": 2 * rig.settings.block_bytes, "AA/B.mov": rig.settings.small_file_bytes + 1}
    bad = {os.fsencode(f"AB/A003D{number:03}.xml") for number in range(60)}
    rig.fill(given | {os.fsdecode(name): 900 for name in bad})

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and name.startswith(b"A003D") and lies_on("card", rig.top, arguments[0]):
            gate.stands.wait(WAIT)  # a card of which nothing was read yet would count as gone
            raise OSError(errno.EIO, "Input/output error")

    io, gate = slow(rig, hook)
    run = rig.run(io=io, on_event=opened_by(gate))
    assert kinds(run) == {Kind.FELL_BEHIND}
    assert lane(run, "two").failure is None
    assert run.proven("one") == run.proven("two") == ALL | {os.fsencode(name) for name in given}
    assert not run.board.copy_findings("two")
    assert {os.fsencode(finding.path) for finding in run.board.source_findings} == bad


def test_a_card_pulled_while_a_drive_catches_up_ends_the_offload_and_leaves_nothing_half(rig: Rig) -> None:
    pulled = threading.Event()

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and lies_on("card", rig.top, arguments[0]):
            if pulled.is_set():
                raise OSError(errno.ENODEV, "No such device")
            if threading.current_thread().name.startswith("card again"):
                pulled.wait(WAIT)  # its second pass is still under way when "two" catches up
                raise OSError(errno.ENODEV, "No such device")

    def on_event(event: Event) -> None:
        opening(event)
        if isinstance(event, Moved) and event.leg is Leg.CATCH_UP:
            pulled.set()

    io, gate = slow(rig, hook)
    opening = opened_by(gate)
    run = rig.run(io=io, on_event=on_event)
    assert run.outcome.source_failure is not None
    assert not run.proven("one")
    assert not run.proven("two")
    assert not unfinished(rig, "two")
    whole(rig, "two")


def test_ctrl_c_while_a_drive_catches_up_leaves_nothing_half_and_the_fast_drive_sealed(rig: Rig) -> None:
    cancel = Cancel()

    def on_event(event: Event) -> None:
        if isinstance(event, DriveDone):
            gate.open.set()
        if isinstance(event, Moved) and event.leg is Leg.CATCH_UP:
            cancel.set()

    io, gate = slow(rig)
    run = rig.run(io=io, on_event=on_event, cancel=cancel)
    assert run.outcome.interrupted
    assert not run.outcome.hangs
    assert lane(run, "one").state == "sealed"
    assert run.works["two"].interrupted
    assert not unfinished(rig, "two")
    whole(rig, "two")
    assert told(run, "one") == [True, False]


def test_small_files_get_their_names_before_a_drive_waits_for_another_one(rig: Rig) -> None:
    """The wait may take as long as the whole roll takes on the other drive: a power cut in it must not cost them."""
    rig.settings = replace(rig.settings, flush_files=1000, flush_bytes=1 << 30)
    rig.fill({f"AA/{number}.xml": 900 for number in range(2)} | {"AB.mov": 17_000})
    named: list[bool] = []

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> None:
        if operation == "read" and catches_up():
            named.append((rig.top / "two" / "AA" / "1.xml").exists())

    io, gate = slow(rig, hook)
    run = rig.run(io=io, on_event=opened_by(gate))
    assert kinds(run) == {Kind.FELL_BEHIND}
    assert named
    assert all(named)


# --- what is copied


def test_files_of_every_awkward_size_are_caught_up_with(rig: Rig) -> None:
    block, small = rig.settings.block_bytes, rig.settings.small_file_bytes
    sizes = [0, 1, 511, 512, 4095, 4096, 4097, small - 1, small, small + 1, block - 1, block, block + 1, 2 * block]
    awkward = {f"ZZ/{'deep/' * (number % 5)}F{number:02}": size for number, size in enumerate(sizes)}
    rig.fill(awkward)
    io, gate = slow(rig)
    run = rig.run(io=io, on_event=opened_by(gate))
    assert kinds(run) == {Kind.FELL_BEHIND}
    assert run.proven("two") == ALL | {os.fsencode(name) for name in awkward}
    whole(rig, "two")


@pytest.mark.slow
def test_a_bounded_number_of_buffers_is_enough(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.drives = ("one", "two", "three")
    rig.fill({f"MANY/{number:04}/F.xml": 700 for number in range(600)})
    made: list[int] = []
    real = Buffer.__init__

    def counted(self: Buffer, size: int) -> None:
        made.append(size)
        real(self, size)

    monkeypatch.setattr(Buffer, "__init__", counted)
    io, gate = slow(rig)
    run = rig.run(io=io, on_event=opened_by(gate, drives=2))
    assert run.proven("two") >= ALL
    first = next(event for event in run.events if isinstance(event, LegStarted) and event.leg is Leg.CATCH_UP)
    assert first.files > 600
    passes = max(rig.settings.pass_buffers, 5)
    assert len(made) <= rig.settings.copy_buffers + 5 * passes  # card again, three read-backs, one catch-up
