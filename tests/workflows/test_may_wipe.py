"""May this card be wiped? One row for each situation, on real loop devices: the answer, and the reason it must give."""

from __future__ import annotations

import contextlib
import errno
import os
import shlex
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from media.noisy import noisy_movie
from rollproof.clips.check import ClipLook, Looks
from rollproof.drives.system import system_drives
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.names import MARKER_NAME, PARTIAL_SUFFIX
from rollproof.models.requests import Person
from rollproof.models.results import MayWipeResult
from rollproof.models.tree import Clip, Snapshot
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.storage.posix import LinuxIo
from rollproof.storage.station import station_home
from support.devices import Devices, Drive
from support.loops import tool
from support.movies import SMALLEST
from workflows.station import CLIPS, change_quietly, fill
from workflows.wipe_bench import ASSISTANT, FIRST, Bench, Changing

pytestmark = pytest.mark.device

WIPE, KEEP = "MAY WIPE", "KEEP"
Situation = Callable[[Bench], MayWipeResult]


@dataclass(frozen=True)
class Row:
    """One situation. `reason` is the kind of finding that must be among the reasons; `basis` what it must rest on."""

    situation: Situation
    answer: str
    reason: str
    basis: str | None


ROWS: list[Row] = []


def may_be_wiped(basis: str) -> Callable[[Situation], Situation]:
    """A row in which the answer is MAY WIPE."""

    def note(situation: Situation) -> Situation:
        ROWS.append(Row(situation, WIPE, "", basis))
        return situation

    return note


def must_be_kept(reason: str) -> Callable[[Situation], Situation]:
    """A row in which the answer is KEEP, for this reason."""

    def note(situation: Situation) -> Situation:
        ROWS.append(Row(situation, KEEP, reason, None))
        return situation

    return note


def hours_from_now(hours: float) -> datetime:
    """The moment at which is asked."""
    return datetime.now(UTC) + timedelta(hours=hours)


# --- the card


@may_be_wiped("listing")
def right_after_the_offload(bench: Bench) -> MayWipeResult:
    bench.offload()
    return bench.ask()


@may_be_wiped("reread")
def the_card_was_away_and_is_read_again(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.card.replug()
    return bench.ask()


@may_be_wiped("reread")
def the_card_was_away_and_is_write_protected_now(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.card.replug(read_only=True)
    return bench.ask()


@may_be_wiped("reread")
def a_re_read_is_asked_for(bench: Bench) -> MayWipeResult:
    bench.offload()
    return bench.ask(reread=True)


@may_be_wiped("reread")
def the_card_is_known_by_its_content_when_it_is_mounted_elsewhere(bench: Bench) -> MayWipeResult:
    bench.offload()
    return bench.ask(bench.devices.bind(bench.card.mount))


@may_be_wiped("reread")
def a_card_whose_files_were_only_dated_anew_still_holds_what_was_copied(bench: Bench) -> MayWipeResult:
    bench.offload()
    os.utime(bench.card.mount / FIRST)
    return bench.ask()


@must_be_kept("not-offloaded")
def a_re_shot_card(bench: Bench) -> MayWipeResult:
    bench.offload()
    assert bench.ask().answer == WIPE
    shutil.rmtree(bench.card.mount / "CLIP")
    fill(bench.card.mount, {"CLIP/A003C001_260515.mov": 90_000})
    result = bench.ask()
    assert any(found.kind == "permit-before" and "used again" in found.detail for found in result.findings)
    return result


@must_be_kept("not-offloaded")
def a_re_shot_card_with_the_same_names_sizes_and_dates(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.card.replug()
    change_quietly(bench.card.mount / FIRST)
    return bench.ask()


@must_be_kept("not-offloaded")
def one_clip_was_added(bench: Bench) -> MayWipeResult:
    bench.offload()
    fill(bench.card.mount, {"CLIP/A003C004_260514.mov": 40_000})
    result = bench.ask()
    assert "1 clip on the card that no record has as it is now, the first is A003C004" in result.reasons[0]
    assert "offload the card again" in result.reasons[0]
    return result


@may_be_wiped("listing")
def one_clip_was_added_and_offloaded_too(bench: Bench) -> MayWipeResult:
    bench.offload()
    fill(bench.card.mount, {"CLIP/A003C004_260514.mov": 40_000})
    assert bench.offload().verdict == "proven"
    return bench.ask()


@must_be_kept("not-offloaded")
def a_card_half_known(bench: Bench) -> MayWipeResult:
    bench.offload()
    fill(bench.card.mount, {f"CLIP/B00{number}C001.mov": 9_000 for number in range(5)})
    bench.card.replug()
    return bench.ask()


@may_be_wiped("reread")
def a_card_that_belongs_to_two_rolls(bench: Bench) -> MayWipeResult:
    bench.offload()
    shelf = bench.folder / "shelf"
    shutil.move(bench.card.mount / "CLIP", shelf)
    (bench.card.mount / "NOTES.TXT").unlink()
    fill(bench.card.mount, {"CLIP2/A004C001.mov": 50_000}, salt=b"another roll")
    bench.offload(roll="A004")
    shutil.copytree(shelf, bench.card.mount / "CLIP")
    result = bench.ask()
    assert {roll.roll for roll in result.rolls} == {"A003", "A004"}
    for name in ("A003", "A004"):  # the permit lies beside every copy that counted
        assert bench.kinds(bench.one, name) == bench.kinds(bench.two, name) == ["offload", "permit"]
    return result


@must_be_kept("card-unknown")
def a_card_nobody_offloaded(bench: Bench) -> MayWipeResult:
    return bench.ask()


@must_be_kept("card-unknown")
def a_card_nobody_offloaded_at_a_station_that_knows_others(bench: Bench) -> MayWipeResult:
    bench.offload()
    for path in (bench.card.mount / "CLIP").iterdir():
        path.unlink()
    (bench.card.mount / "NOTES.TXT").unlink()
    fill(bench.card.mount, CLIPS, salt=b"never seen")
    bench.card.replug()
    return bench.ask()


@may_be_wiped("listing")
def an_empty_card(bench: Bench) -> MayWipeResult:
    for path in bench.card.mount.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    result = bench.ask()
    assert [found.kind for found in result.findings if found.kind == "empty-card"] == ["empty-card"]
    assert result.permits == []
    return result


@must_be_kept("card-missing")
def no_such_folder(bench: Bench) -> MayWipeResult:
    return bench.ask(bench.folder / "nothing here")


@must_be_kept("not-a-card-root")
def an_empty_folder_where_a_card_should_be(bench: Bench) -> MayWipeResult:
    (bench.folder / "A003").mkdir()
    return bench.ask(bench.folder / "A003")


@must_be_kept("not-a-card-root")
def a_folder_on_the_card(bench: Bench) -> MayWipeResult:
    bench.offload()
    return bench.ask(bench.card.mount / "CLIP")


@must_be_kept("not-a-card-root")
def a_folder_of_the_card_mounted_on_its_own(bench: Bench) -> MayWipeResult:
    bench.offload()
    return bench.ask(bench.devices.bind(bench.card.mount / "CLIP"))


@must_be_kept("mounted-inside")
def something_is_mounted_inside_the_card(bench: Bench) -> MayWipeResult:
    bench.offload()
    (bench.card.mount / "CLIP/inside").mkdir()
    with mounted_over(bench.card.mount / "CLIP/inside"):
        return bench.ask()


@contextlib.contextmanager
def mounted_over(folder: Path) -> Iterator[None]:
    tool("mount", "-t", "tmpfs", "tmpfs", folder)
    try:
        yield
    finally:
        tool("umount", folder)


@must_be_kept("link")
def a_link_on_the_card(bench: Bench) -> MayWipeResult:
    (bench.card.mount / "CLIP/linked.mov").symlink_to("A003C001_260514.mov")
    bench.offload()
    return bench.ask()


@may_be_wiped("listing")
def a_link_on_the_card_that_somebody_takes_upon_themselves(bench: Bench) -> MayWipeResult:
    (bench.card.mount / "CLIP/linked.mov").symlink_to("A003C001_260514.mov")
    bench.offload()
    result = bench.ask(accepted=("linked.mov",), reason="a leftover of the reader")
    (permit,) = [record for record in bench.records(bench.one) if record["kind"] == "permit"]
    assert permit["accepted"] == [{"path": "CLIP/linked.mov", "reason": "a leftover of the reader", "path_b64": None}]
    assert permit["by"]["name"] == "the camera assistant"
    return result


@must_be_kept("special-file")
def a_special_file_on_the_card(bench: Bench) -> MayWipeResult:
    os.mkfifo(bench.card.mount / "CLIP/pipe")
    bench.offload()
    return bench.ask()


@must_be_kept("unreadable")
def a_file_of_the_card_that_cannot_be_read(bench: Bench) -> MayWipeResult:
    bench.offload()
    io = HookedIo(lambda what, name, _: _raise(errno.EIO) if (what, name) == ("read", os.fsencode(FIRST)[5:]) else None)
    result = bench.ask(io=io, reread=True)
    assert any("A003C001_260514.mov" in reason for reason in result.reasons)
    return result


@must_be_kept("card-missing")
def a_card_that_cannot_even_be_opened(bench: Bench) -> MayWipeResult:
    bench.offload()
    return bench.ask(io=_NoRoot(os.fsencode(bench.card.mount)))


class _NoRoot(LinuxIo):
    """The card's own folder answers with an error."""

    def __init__(self, path: bytes) -> None:
        super().__init__()
        self._path = path

    def open_root(self, path: bytes) -> int:
        if path == self._path:
            _raise(errno.EIO)
        return super().open_root(path)


@may_be_wiped("listing")
def the_stations_key_is_open_to_others_and_the_permit_is_not_signed(bench: Bench) -> MayWipeResult:
    """An unsigned permit is said to be one; whether a card may be wiped never hangs on a signature."""
    bench.offload()
    (station_home() / "station_key").chmod(0o644)
    result = bench.ask()
    odd = [found for found in result.findings if found.kind == "could-not-sign"]
    assert odd
    assert "open to others" in odd[0].detail
    assert "chmod 600" in odd[0].remedy
    assert not list((bench.roll(bench.one) / "rollproof").glob("*_permit_*.sig"))
    return result


@must_be_kept("hidden-media")
def a_large_file_among_litter(bench: Bench) -> MayWipeResult:
    fill(bench.card.mount, {".Trashes/501/large": 1 << 20})
    bench.offload()
    return bench.ask()


@must_be_kept("hidden-media")
def a_small_clip_among_litter(bench: Bench) -> MayWipeResult:
    fill(bench.card.mount, {".Trashes/501/A003C009.MOV": 900})
    bench.offload()
    return bench.ask()


@may_be_wiped("listing")
def only_litter_among_litter(bench: Bench) -> MayWipeResult:
    fill(bench.card.mount, {".Spotlight-V100/store.db": 5_000, ".DS_Store": 6_148})
    bench.offload()
    return bench.ask()


@must_be_kept("hidden-media")
def a_file_that_the_production_leaves_out(bench: Bench) -> MayWipeResult:
    bench.production('name = "The Bell Foundry"\nfolder = "{roll}"\nignore = ["*.TXT"]\n')
    bench.offload()
    return bench.ask()


@may_be_wiped("listing")
def a_file_that_the_production_leaves_out_and_somebody_takes_upon_themselves(bench: Bench) -> MayWipeResult:
    bench.production('name = "The Bell Foundry"\nfolder = "{roll}"\nignore = ["*.TXT"]\n')
    bench.offload()
    return bench.ask(accepted=("NOTES.TXT",), reason="a shopping list")


@must_be_kept("space-unexplained")
def space_that_no_file_explains(bench: Bench) -> MayWipeResult:
    bench.offload()
    with (bench.card.mount / "lost.mov").open("wb") as lost:
        lost.write(bytes(4 << 20))
        lost.flush()
        os.fsync(lost.fileno())
        (bench.card.mount / "lost.mov").unlink()
        return bench.ask()


@may_be_wiped("listing")
def a_card_whose_file_system_keeps_room_for_root(bench: Bench) -> MayWipeResult:
    """ext4 as mkfs makes it keeps 5 % back: free, and not for everybody."""
    with card_with_room_for_root(bench):
        bench.offload()
        return bench.ask()


@must_be_kept("space-unexplained")
def space_that_no_file_explains_on_a_card_that_keeps_room_for_root(bench: Bench) -> MayWipeResult:
    with card_with_room_for_root(bench):
        return space_that_no_file_explains(bench)


@contextlib.contextmanager
def card_with_room_for_root(bench: Bench) -> Iterator[None]:
    """Another card for a while, that keeps a tenth of its room for root."""
    before = bench.card
    bench.card = bench.devices.image("ext4", make_options=("-m", "10"))
    try:
        (bench.card.mount / "lost+found").rmdir()
        fill(bench.card.mount, CLIPS)
        assert system_drives().volume_of(os.fsencode(bench.card.mount)).reserved_bytes > 4 << 20
        yield
    finally:
        bench.card.unplug()
        bench.card = before


@must_be_kept("other-partition")
def another_partition_on_the_card(bench: Bench) -> MayWipeResult:
    bench.drives = bench.machine(
        {"sda": ((bench.one.mount, ""),), "sdb": ((bench.two.mount, ""),), "sdc": ((bench.card.mount, ""), (None, ""))}
    )
    bench.offload()
    return bench.ask()


@may_be_wiped("listing")
def only_a_system_partition_beside_the_one_of_the_card(bench: Bench) -> MayWipeResult:
    system = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"
    bench.drives = bench.machine(
        {
            "sda": ((bench.one.mount, ""),),
            "sdb": ((bench.two.mount, ""),),
            "sdc": ((bench.card.mount, ""), (None, system)),
        }
    )
    bench.offload()
    return bench.ask()


@must_be_kept("card-changed")
def a_file_is_added_while_the_card_is_judged(bench: Bench) -> MayWipeResult:
    bench.offload()

    def before(question: str) -> None:
        if question == "volumes":
            fill(bench.card.mount, {"CLIP/A003C005_260514.mov": 10})

    return bench.ask(drives=Changing(system_drives(), before))


@must_be_kept("damaged-clip")
def a_clip_that_a_health_check_called_damaged(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    return bench.ask()


@must_be_kept("damaged-clip")
def a_damaged_clip_that_only_the_card_in_hand_shows(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Ledger, "damaged_clips", lambda ledger, rolls: set())  # offloaded before there was a check
        return bench.ask(reread=True)


@may_be_wiped("listing")
def a_damaged_clip_that_somebody_takes_upon_themselves(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    result = bench.ask(accepted=("A003C002_260514",), reason="the camera team knows")
    for drive in (bench.one, bench.two):
        (permit,) = [record for record in bench.records(drive) if record["kind"] == "permit"]
        assert permit["accepted"] == [{"path": "A003C002_260514", "reason": "the camera team knows", "path_b64": None}]
        assert permit["by"] == {"name": "the camera assistant", "role": "camera assistant"}
    assert bench.ask().answer == KEEP  # what was taken upon oneself once is asked for again the next time
    return result


@may_be_wiped("listing")
def a_damaged_clip_that_is_accepted_by_the_name_the_camera_report_has(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    result = bench.ask(accepted=("A003C002",), reason="the camera team knows")
    (permit,) = [record for record in bench.records(bench.one) if record["kind"] == "permit"]
    assert [each["path"] for each in permit["accepted"]] == ["A003C002_260514"]
    return result


@may_be_wiped("listing")
def what_is_accepted_is_a_record_on_an_attached_copy_that_does_not_count_too(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload(bench.one, bench.two, bench.three)
    (bench.roll(bench.three) / "CLIP/A003C001_260514.mov").unlink()
    result = bench.ask(accepted=("A003C002",), reason="the camera team knows")
    assert [kind for kind in bench.kinds(bench.three) if kind != "offload"] == ["accept"]
    assert bench.kinds(bench.one)[-1] == "permit"
    accepted = bench.records(bench.three)[-1]
    assert accepted["accepted"][0]["name"] == "A003C002_260514" and accepted["reason"] == "the camera team knows"
    audited = bench.audit(bench.one, bench.two)
    assert "damaged-clip" not in {found.kind for found in audited.findings}
    return result


@must_be_kept("damaged-clip")
def a_damaged_clip_is_found_by_every_audit_until_somebody_accepts_it(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    (bench.card.mount / "CLIP/A003C002_260514.xml").unlink(missing_ok=True)
    bench.offload()
    audited = bench.audit(bench.one, bench.two)
    assert audited.verdict == "not complete"
    assert [found.path for found in audited.findings if found.severity == "error"] == ["A003C002_260514"]
    accepted = bench.audit(bench.one, bench.two, accepted=("A003C002",), reason="the director has seen it")
    assert accepted.verdict == "complete" and bench.audit(bench.one, bench.two).verdict == "complete"
    assert bench.kinds(bench.one) == bench.kinds(bench.two) == ["offload", "accept"]
    return bench.ask()  # a card in hand is asked for again: somebody looks at it now


@must_be_kept("accepted")
def a_short_name_that_two_damaged_clips_have(bench: Bench) -> MayWipeResult:
    fill(bench.card.mount, {"CLIP/A003C002_260515.mov": 70_001})
    cut_short(bench)
    cut_short(bench, "CLIP/A003C002_260515.mov")
    bench.offload()
    result = bench.ask(accepted=("A003C002",), reason="the camera team knows")
    (finding,) = [found for found in result.findings if found.kind == "accepted" and found.severity == "error"]
    assert "A003C002_260514" in finding.detail and "A003C002_260515" in finding.detail
    both = ("A003C002_260514", "A003C002_260515")
    assert bench.ask(accepted=both, reason="the camera team knows").answer == "MAY WIPE"
    return bench.ask(accepted=("A003C002",), reason="the camera team knows")


@must_be_kept("damaged-clip")
def the_next_step_for_a_damaged_clip_works_when_it_is_pasted(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    result = bench.ask()
    (finding,) = [found for found in result.findings if found.kind == "damaged-clip"]
    words = shlex.split(finding.remedy[finding.remedy.index("rollproof may-wipe") :])
    assert words[2] == str(bench.card.mount)
    given = dict(zip(words[3::2], words[4::2], strict=True))
    assert given.keys() == {"--accept", "--reason", "--by", "--role"} and given["--by"] == ASSISTANT.name
    answer = bench.ask(accepted=(given["--accept"],), reason=given["--reason"], person=Person(given["--by"]))
    assert answer.answer == "MAY WIPE"
    return result


@must_be_kept("damaged-clip")
def a_damaged_clip_that_the_records_tell_of_after_the_ledger_was_lost(bench: Bench) -> MayWipeResult:
    from rollproof.models.requests import Cancel  # noqa: PLC0415
    from rollproof.workflows.rebuild import rebuild_ledger  # noqa: PLC0415

    cut_short(bench)
    bench.offload()
    rebuild_ledger([os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)], Context.of(cancel=Cancel()))
    with open_ledger() as ledger:
        assert ledger.damaged_clips([roll.id for roll in ledger.rolls()]) == {"A003C002_260514"}
    return bench.ask()


@must_be_kept("damaged-clip")
def a_damaged_clip_that_only_the_card_in_hand_tells_of(bench: Bench) -> MayWipeResult:
    """Neither records nor ledger know of it: it was offloaded before anybody looked into clips."""
    cut_short(bench)
    bench.offload()
    _change_the_ledger("UPDATE clips SET health = 'unknown'")
    assert bench.ask().answer == KEEP
    return bench.ask(reread=True)


def _change_the_ledger(sql: str) -> None:
    with contextlib.closing(sqlite3.connect(station_home() / "ledger.sqlite3")) as ledger, ledger:
        assert ledger.execute(sql).rowcount


@must_be_kept("damaged-clip")
def a_damaged_clip_whose_row_is_gone_from_the_ledger(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    _change_the_ledger("DELETE FROM clips WHERE health = 'damaged'")
    result = bench.ask()
    assert result.basis == "listing"
    return result


@must_be_kept("damaged-clip")
def a_damaged_clip_whose_row_says_nonsense(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    _change_the_ledger("UPDATE clips SET health = 'dam`ged' WHERE health = 'damaged'")
    return bench.ask()


@must_be_kept("clip-not-checked")
def a_clip_whose_row_is_gone_and_that_cannot_be_looked_into_in_time(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload()
    _change_the_ledger("DELETE FROM clips WHERE health = 'damaged'")
    with pytest.MonkeyPatch.context() as patch:
        _no_time_to_look(patch)
        result = bench.ask()
        assert bench.ask(reread=True).answer == KEEP
    return result


@may_be_wiped("listing")
def a_clip_of_unknown_health_that_cannot_be_looked_into_in_time_is_a_warning(bench: Bench) -> MayWipeResult:
    bench.offload()
    _change_the_ledger("UPDATE clips SET health = 'unknown'")
    with pytest.MonkeyPatch.context() as patch:
        _no_time_to_look(patch)
        result = bench.ask()
    assert "clip-not-checked" in {found.kind for found in result.findings}
    return result


def _no_time_to_look(patch: pytest.MonkeyPatch) -> None:
    def too_late(io: Io, root: int, snapshot: Snapshot, clips: Sequence[Clip], how: object = None) -> Looks:
        return Looks([ClipLook(clip) for clip in clips], complete=False)

    patch.setattr("rollproof.clips.check.look_at_clips", too_late)


@must_be_kept("too-few-copies")
def a_damaged_clip_that_is_accepted_does_not_make_up_for_a_copy(bench: Bench) -> MayWipeResult:
    cut_short(bench)
    bench.offload(bench.one)
    return bench.ask(accepted=("A003C002_260514",), reason="the camera team knows")


def cut_short(bench: Bench, name: str = "CLIP/A003C002_260514.mov") -> None:
    """A clip whose recording was never finished: the index is not there."""
    path = bench.card.mount / name
    content = path.read_bytes()
    path.write_bytes(content[:20] + content[SMALLEST:])


@must_be_kept("not-offloaded")
def a_file_without_a_copy_cannot_be_accepted(bench: Bench) -> MayWipeResult:
    bench.offload()
    fill(bench.card.mount, {"CLIP/A003C004_260514.mov": 40_000})
    result = bench.ask(accepted=("A003C004_260514.mov", "A003C004_260514"), reason="nobody needs it")
    assert any("that can be accepted" in found.detail for found in result.findings)
    return result


# --- the copies


@must_be_kept("too-few-copies")
def only_one_copy(bench: Bench) -> MayWipeResult:
    bench.offload(bench.one)
    return bench.ask()


@must_be_kept("too-few-copies")
def two_copies_on_one_device(bench: Bench) -> MayWipeResult:
    for name in ("here", "there"):
        (bench.one.mount / name).mkdir()
    bench.offload(to=(bench.one.mount / "here", bench.one.mount / "there"))
    result = bench.ask()
    assert "copies lie on one device and count once" in result.reasons[0]
    return result


@must_be_kept("too-few-copies")
def two_copies_on_two_partitions_of_one_disk(bench: Bench) -> MayWipeResult:
    bench.drives = bench.machine(
        {"sda": ((bench.one.mount, ""), (bench.two.mount, "")), "sdb": ((bench.card.mount, ""),)}
    )
    bench.offload()
    return bench.ask()


@may_be_wiped("listing")
def two_copies_on_partitions_of_two_disks(bench: Bench) -> MayWipeResult:
    bench.drives = bench.machine(
        {
            "sda": ((bench.one.mount, ""), (bench.three.mount, "")),
            "sdb": ((bench.two.mount, ""),),
            "sdc": ((bench.card.mount, ""),),
        }
    )
    bench.offload()
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_copy_on_the_cards_own_device(bench: Bench) -> MayWipeResult:
    bench.drives = bench.machine(
        {"sda": ((bench.one.mount, ""),), "sdb": ((bench.card.mount, ""), (bench.two.mount, ""))}
    )
    bench.offload()
    return bench.ask(accepted=(), reread=True)


@may_be_wiped("listing")
def one_drive_left_an_hour_ago(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.two.unplug()
    result = bench.ask(now=hours_from_now(1))
    assert [(copy.attached, copy.counted) for copy in result.copies] == [(True, True), (False, True)]
    return result


@must_be_kept("copy-not-counted")
def one_drive_left_longer_ago_than_a_day(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.two.unplug()
    return bench.ask(now=hours_from_now(24.1))


@must_be_kept("copy-not-counted")
def one_drive_was_seen_in_the_future(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.two.unplug()
    return bench.ask(now=hours_from_now(-2))


@must_be_kept("none-attached")
def all_drives_are_away(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.one.unplug()
    bench.two.unplug()
    return bench.ask()


@must_be_kept("copy-not-counted")
def an_absent_copy_that_only_a_rebuilt_ledger_knows(bench: Bench) -> MayWipeResult:
    from rollproof.models.requests import Cancel  # noqa: PLC0415
    from rollproof.workflows.rebuild import rebuild_ledger  # noqa: PLC0415

    bench.offload()
    bench.two.unplug()
    rebuild_ledger([os.fsencode(bench.one.mount)], Context.of(cancel=Cancel()))
    result = bench.ask()
    assert any("has not seen it itself" in copy.why for copy in result.copies)
    return result


@must_be_kept("copy-not-counted")
def an_absent_copy_that_a_ledger_of_another_machine_knows(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.two.unplug()
    with open_ledger(machine="another machine") as ledger:
        return bench.ask(ledger=ledger)


@must_be_kept("copy-not-counted")
def a_file_of_a_copy_was_cut(bench: Bench) -> MayWipeResult:
    bench.offload()
    os.truncate(bench.roll(bench.one) / FIRST, 100)
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_drive_whose_copy_was_found_wrong_does_not_count_again_by_being_unplugged(bench: Bench) -> MayWipeResult:
    bench.offload()
    os.truncate(bench.roll(bench.one) / FIRST, 100)
    assert bench.ask().answer == KEEP
    bench.one.unplug()
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_file_of_a_copy_has_another_date(bench: Bench) -> MayWipeResult:
    bench.offload()
    os.utime(bench.roll(bench.one) / FIRST)
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_file_of_a_copy_has_other_bytes_and_the_copies_are_read_again(bench: Bench) -> MayWipeResult:
    bench.offload()
    change_quietly(bench.roll(bench.one) / FIRST)
    return bench.ask(reread_copies=True)


@may_be_wiped("listing")
def other_bytes_under_the_same_size_and_date_are_seen_by_a_re_read_only(bench: Bench) -> MayWipeResult:
    """The limit that docs/guarantees.md names: not a row to be proud of, but one to know."""
    bench.offload()
    change_quietly(bench.roll(bench.one) / FIRST)
    return bench.ask()


@may_be_wiped("listing")
def sound_copies_that_are_read_again(bench: Bench) -> MayWipeResult:
    bench.offload()
    return bench.ask(reread_copies=True)


@must_be_kept("copy-not-counted")
def a_file_of_a_copy_is_missing(bench: Bench) -> MayWipeResult:
    bench.offload()
    (bench.roll(bench.two) / FIRST).unlink()
    return bench.ask()


@must_be_kept("copy-not-counted")
def the_roll_folder_of_a_copy_is_gone(bench: Bench) -> MayWipeResult:
    bench.offload()
    shutil.rmtree(bench.roll(bench.two))
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_roll_folder_that_was_gone_and_came_back_must_be_verified(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.roll(bench.two).rename(bench.two.mount / "elsewhere")
    assert bench.ask().answer == KEEP
    (bench.two.mount / "elsewhere").rename(bench.roll(bench.two))
    return bench.ask()


@may_be_wiped("listing")
def a_roll_folder_that_was_gone_came_back_and_was_verified(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.roll(bench.two).rename(bench.two.mount / "elsewhere")
    assert bench.ask().answer == KEEP
    (bench.two.mount / "elsewhere").rename(bench.roll(bench.two))
    bench.verify(bench.two)
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_drive_that_was_formatted_anew(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.two.unplug()
    tool("mkfs.ext4", "-q", "-F", "-m", "0", bench.two.image)
    bench.two.plug_in()
    return bench.ask()


@must_be_kept("copy-not-counted")
def an_old_backup_of_a_drive_was_put_back(bench: Bench) -> MayWipeResult:
    bench.two.unplug()
    shutil.copyfile(bench.two.image, bench.folder / "backup.img")
    bench.two.plug_in()
    bench.offload()
    bench.two.unplug()
    shutil.copyfile(bench.folder / "backup.img", bench.two.image)
    bench.two.plug_in()
    return bench.ask()


def _put_back_after_a_permit(bench: Bench) -> None:
    """The backup drive is as it was before a verify and the permit that named it; the ledger knows of neither."""
    from rollproof.models.requests import Cancel  # noqa: PLC0415
    from rollproof.workflows.rebuild import rebuild_ledger  # noqa: PLC0415

    bench.offload()
    bench.two.unplug()
    shutil.copyfile(bench.two.image, bench.folder / "backup.img")
    bench.two.plug_in()
    bench.verify(bench.two)
    assert bench.ask().answer == WIPE
    bench.two.unplug()
    shutil.copyfile(bench.folder / "backup.img", bench.two.image)
    bench.two.plug_in()
    rebuild_ledger([os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)], Context.of(cancel=Cancel()))


@must_be_kept("copy-not-counted")
def a_drive_put_back_to_an_older_state_that_only_a_siblings_permit_remembers(bench: Bench) -> MayWipeResult:
    _put_back_after_a_permit(bench)
    result = bench.ask()
    assert any("put back to an older state" in copy.why for copy in result.copies)
    return result


@may_be_wiped("reread")
def a_drive_put_back_to_an_older_state_and_verified_since(bench: Bench) -> MayWipeResult:
    _put_back_after_a_permit(bench)
    # records have whole seconds, and of two in one second nobody can say which came later
    time.sleep(1.0 - time.time() % 1.0)
    assert bench.verify(bench.two).verdict == "proven"
    return bench.ask()


def _append_and_remove(bench: Bench, number: int) -> None:
    bench.offload()
    bench.verify(bench.one)
    record = sorted((bench.roll(bench.one) / "rollproof").glob("*.json"))[number]
    record.unlink()


@must_be_kept("copy-not-counted")
def the_newest_record_of_a_copy_is_gone(bench: Bench) -> MayWipeResult:
    _append_and_remove(bench, 1)
    return bench.ask()


@must_be_kept("copy-not-counted")
def the_first_record_of_a_copy_is_gone(bench: Bench) -> MayWipeResult:
    _append_and_remove(bench, 0)
    return bench.ask()


@may_be_wiped("listing")
def the_newest_record_of_a_copy_is_gone_and_the_copy_was_verified_since(bench: Bench) -> MayWipeResult:
    _append_and_remove(bench, 1)
    assert bench.ask().answer == KEEP
    bench.verify(bench.one)
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_record_of_a_copy_was_edited(bench: Bench) -> MayWipeResult:
    bench.offload()
    (record,) = (bench.roll(bench.one) / "rollproof").glob("*.json")
    record.write_bytes(record.read_bytes().replace(b'"copies_required": 2', b'"copies_required": 1'))
    return bench.ask()


def _edit_the_record(bench: Bench, *, signature: bool) -> None:
    """The only record of a copy says something else, without its signature or beside it."""
    (record,) = (bench.roll(bench.one) / "rollproof").glob("*.json")
    record.write_bytes(record.read_bytes().replace(b'"copies_required": 2', b'"copies_required": 1'))
    if not signature:
        Path(f"{record}.sig").unlink()


def _verified_and_kept_twice(bench: Bench) -> MayWipeResult:
    for _ in range(2):
        assert bench.verify(bench.one).verdict == "not proven"
        assert bench.ask().answer == KEEP
    assert bench.ask(reread=True).answer == KEEP
    assert "permit" not in bench.kinds(bench.one)
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_record_of_a_copy_was_edited_and_the_copy_was_verified_since(bench: Bench) -> MayWipeResult:
    bench.offload()
    _edit_the_record(bench, signature=True)
    return _verified_and_kept_twice(bench)


@must_be_kept("copy-not-counted")
def a_record_of_a_copy_was_edited_and_lost_its_signature_and_the_copy_was_verified_since(
    bench: Bench,
) -> MayWipeResult:
    bench.offload()
    _edit_the_record(bench, signature=False)
    return _verified_and_kept_twice(bench)


@must_be_kept("copy-not-counted")
def a_record_of_a_copy_was_edited_and_only_its_signature_remembers(bench: Bench) -> MayWipeResult:
    from rollproof.models.requests import Cancel  # noqa: PLC0415
    from rollproof.workflows.rebuild import rebuild_ledger  # noqa: PLC0415

    bench.offload()
    _edit_the_record(bench, signature=True)
    rebuild_ledger([os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)], Context.of(cancel=Cancel()))
    return _verified_and_kept_twice(bench)


@must_be_kept("copy-not-counted")
def the_newest_verify_of_a_copy_failed(bench: Bench) -> MayWipeResult:
    bench.offload()
    change_quietly(bench.roll(bench.two) / FIRST)
    assert bench.verify(bench.two).verdict == "not proven"
    change_quietly(bench.roll(bench.two) / FIRST)  # and back again
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_verify_that_failed_on_a_write_protected_drive_is_remembered(bench: Bench) -> MayWipeResult:
    bench.offload()
    change_quietly(bench.roll(bench.two) / FIRST)
    bench.two.replug(read_only=True)
    assert bench.verify(bench.two).verdict == "not proven"
    bench.two.replug(read_only=False)
    change_quietly(bench.roll(bench.two) / FIRST)
    return bench.ask()


@may_be_wiped("listing")
def a_failed_verify_was_followed_by_a_clean_one(bench: Bench) -> MayWipeResult:
    bench.offload()
    change_quietly(bench.roll(bench.two) / FIRST)
    bench.verify(bench.two)
    change_quietly(bench.roll(bench.two) / FIRST)
    assert bench.verify(bench.two).verdict == "proven"
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_copy_whose_offload_was_not_finished(bench: Bench) -> MayWipeResult:
    bench.offload()
    (bench.roll(bench.one) / os.fsdecode(MARKER_NAME)).write_bytes(b"{}")
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_card_that_was_read_once_only(bench: Bench) -> MayWipeResult:
    bench.offload(single_read=True)
    result = bench.ask()
    assert result.basis == "reread"
    assert bench.kinds(bench.one) == ["offload", "verify"]  # the second read of the card is written down
    return result


@may_be_wiped("reread")
def a_card_that_was_read_once_then_by_this_question_and_the_copies_verified(bench: Bench) -> MayWipeResult:
    bench.offload(single_read=True)
    assert bench.ask().answer == KEEP
    bench.verify(bench.one, bench.two)
    return bench.ask()


@must_be_kept("copy-not-counted")
def a_copy_that_only_a_cache_has_answered_for(bench: Bench) -> MayWipeResult:
    bench.offload(to=(bench.one.mount, bench.devices.tmpfs()))
    return bench.ask()


@must_be_kept("too-few-copies")
def a_roll_folder_that_was_dragged_to_another_drive(bench: Bench) -> MayWipeResult:
    bench.offload(bench.one)
    drag(bench)
    return bench.ask()


@may_be_wiped("listing")
def a_dragged_roll_folder_that_was_verified_where_it_is_now(bench: Bench) -> MayWipeResult:
    bench.offload(bench.one)
    drag(bench)
    assert bench.verify(bench.two).verdict == "proven"
    return bench.ask()


def drag(bench: Bench) -> None:
    tool("cp", "-a", bench.roll(bench.one), bench.roll(bench.two))


@must_be_kept("copy-not-counted")
def a_roll_folder_that_was_copied_on_its_own_drive_and_learned_anew(bench: Bench) -> MayWipeResult:
    """The records of the copy speak of the right drive, and nobody has read what lies there now."""
    from rollproof.models.requests import Cancel  # noqa: PLC0415
    from rollproof.workflows.rebuild import rebuild_ledger  # noqa: PLC0415

    bench.offload()
    tool("cp", "-a", bench.roll(bench.one), bench.one.mount / "copied")
    shutil.rmtree(bench.roll(bench.one))
    change_quietly(bench.one.mount / "copied" / FIRST)
    rebuild_ledger([os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)], Context.of(cancel=Cancel()))
    return bench.ask()


@must_be_kept("too-few-copies")
def a_cloned_drive(bench: Bench) -> MayWipeResult:
    bench.offload(bench.one)
    with cloned(bench, bench.one):
        return bench.ask()


@may_be_wiped("listing")
def a_cloned_drive_that_was_verified(bench: Bench) -> MayWipeResult:
    bench.offload(bench.one)
    with cloned(bench, bench.one) as clone:
        assert bench.verify(clone).verdict == "proven"
        return bench.ask()


@contextlib.contextmanager
def cloned(bench: Bench, drive: Drive) -> Iterator[Drive]:
    drive.unplug()
    image = bench.devices.place("clone.img")
    shutil.copyfile(drive.image, image)
    drive.plug_in()
    clone = Drive(image, bench.devices.place("clone"), drive.file_system).plug_in()
    try:
        yield clone
    finally:
        clone.unplug()
        image.unlink()


@must_be_kept("copy-not-counted")
def another_process_is_at_work_on_a_copy(bench: Bench) -> MayWipeResult:
    bench.offload()
    io = HookedIo(lambda *_: None)
    handle = io.open_root(os.fsencode(bench.roll(bench.one)))
    try:
        assert io.lock(handle)
        return bench.ask()
    finally:
        io.close(handle)


@may_be_wiped("listing")
def one_drive_is_write_protected_and_the_other_takes_the_permit(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.two.replug(read_only=True)
    result = bench.ask()
    assert (bench.kinds(bench.one), bench.kinds(bench.two)) == (["offload", "permit"], ["offload"])
    return result


@must_be_kept("copy-not-counted")
def a_drive_that_turned_read_only_by_itself(bench: Bench) -> MayWipeResult:
    bench.offload()
    io = HookedIo(lambda what, name, _: _raise(errno.EROFS) if (what, name[:8]) == ("create", b"may-wipe") else None)
    return bench.ask(io=io)


@must_be_kept("copy-not-counted")
def another_drive_is_mounted_over_the_roll_folder(bench: Bench) -> MayWipeResult:
    """What is seen there is another drive's, whatever its records say."""
    bench.offload()
    tool("cp", "-a", bench.roll(bench.one), bench.roll(bench.three))
    shutil.rmtree(bench.roll(bench.one))
    bench.roll(bench.one).mkdir()
    tool("mount", "--bind", bench.roll(bench.three), bench.roll(bench.one))
    try:
        return bench.ask()
    finally:
        tool("umount", bench.roll(bench.one))


@must_be_kept("copy-not-counted")
def a_write_protected_drive_whose_record_went_bad_on_the_medium(bench: Bench) -> MayWipeResult:
    """The computer's memory still holds the good record: on a drive that takes no small file the medium is asked."""
    bench.offload()
    bench.two.replug(read_only=True)
    (record,) = (bench.roll(bench.two) / "rollproof").glob("*.json")
    record.read_bytes()
    bench.two.flip(record, 100)
    result = bench.ask()
    assert any("are not those read a moment ago" in copy.why for copy in result.copies)
    return result


# --- the policy, the permit, the ledger


@must_be_kept("too-few-copies")
def a_policy_that_is_stricter_today(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.production('name = "The Bell Foundry"\ncopies_required = 3\n')
    return bench.ask()


@must_be_kept("too-few-copies")
def a_policy_that_was_stricter_then(bench: Bench) -> MayWipeResult:
    bench.production('name = "The Bell Foundry"\nfolder = "{roll}"\ncopies_required = 3\n')
    bench.offload()
    bench.production('name = "The Bell Foundry"\nfolder = "{roll}"\ncopies_required = 1\n')
    return bench.ask()


@may_be_wiped("listing")
def three_copies_where_three_are_asked_for(bench: Bench) -> MayWipeResult:
    bench.production('name = "The Bell Foundry"\nfolder = "{roll}"\ncopies_required = 3\n')
    bench.offload(bench.one, bench.two, bench.three)
    return bench.ask()


@must_be_kept("other-production")
def a_card_of_another_production(bench: Bench) -> MayWipeResult:
    bench.production('name = "The Bell Foundry"\nfolder = "{roll}"\n')
    bench.offload()
    bench.production('name = "The Rope Walk"\nfolder = "{roll}"\n')
    return bench.ask()


@must_be_kept("permit-not-written")
def every_drive_is_write_protected(bench: Bench) -> MayWipeResult:
    bench.offload()
    bench.one.replug(read_only=True)
    bench.two.replug(read_only=True)
    return bench.ask()


@must_be_kept("permit-not-written")
def the_second_drive_is_full_when_the_permit_is_written(bench: Bench) -> MayWipeResult:
    bench.offload()
    written: list[bytes] = []

    def hook(what: str, name: bytes, _: tuple[Any, ...]) -> None:
        if what == "create" and b"_permit_" in name and name.endswith(b".json.rollproof-partial"):
            written.append(name)
            if len(written) == 2:
                _raise(errno.ENOSPC)

    result = bench.ask(io=HookedIo(hook))
    chains = {tuple(bench.kinds(bench.one)), tuple(bench.kinds(bench.two))}
    assert chains == {("offload", "permit", "withdraw"), ("offload",)}
    assert bench.ask().answer == WIPE  # a permit that was withdrawn stands in nobody's way
    return result


@must_be_kept("copy-not-counted")
def a_drive_that_is_full(bench: Bench) -> MayWipeResult:
    bench.offload()
    blocker = bench.two.fill()
    result = bench.ask()
    blocker.unlink()
    assert bench.ask().answer == WIPE
    return result


@must_be_kept("permit-not-written")
def the_ledger_is_held_by_another_process(bench: Bench) -> MayWipeResult:
    bench.offload()
    with (
        open_ledger(wait_seconds=0.05) as ledger,
        contextlib.closing(sqlite3.connect(station_home() / "ledger.sqlite3", isolation_level=None)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        result = bench.ask(ledger=ledger)
        other.execute("ROLLBACK")
    assert "is held by" in result.reasons[0]
    assert bench.kinds(bench.one) == bench.kinds(bench.two) == ["offload"]
    return result


@must_be_kept("card-unknown")
def the_ledger_is_missing(bench: Bench) -> MayWipeResult:
    bench.offload()
    for path in station_home().glob("ledger.sqlite3*"):
        path.unlink()
    result = bench.ask()
    assert "ledger-missing" in {found.kind for found in result.findings}
    assert "rollproof ledger rebuild" in result.reasons[0]
    return result


@must_be_kept("card-unknown")
def the_ledger_is_damaged(bench: Bench) -> MayWipeResult:
    bench.offload()
    (station_home() / "ledger.sqlite3").write_bytes(b"no database" * 1000)
    result = bench.ask()
    assert "ledger-damaged" in {found.kind for found in result.findings}
    return result


@may_be_wiped("reread")
def the_ledger_was_rebuilt_from_the_drives(bench: Bench) -> MayWipeResult:
    from rollproof.models.requests import Cancel  # noqa: PLC0415
    from rollproof.workflows.rebuild import rebuild_ledger  # noqa: PLC0415

    bench.offload()
    rebuild_ledger([os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)], Context.of(cancel=Cancel()))
    return bench.ask()


@must_be_kept("ledger-damaged")
def the_ledger_cannot_be_made(bench: Bench) -> MayWipeResult:
    bench.offload()
    home = station_home()
    shutil.rmtree(home)
    home.write_bytes(b"a file where the folder should be")
    try:
        return bench.ask()
    finally:
        home.unlink()
        home.mkdir()


def _raise(number: int) -> None:
    raise OSError(number, os.strerror(number))


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with Devices(tmp_path_factory.mktemp("bench")) as devices:
        yield Bench(devices, tmp_path_factory.mktemp("working folder"))


@pytest.fixture
def bench(swept: Bench) -> Bench:
    swept.sweep()
    return swept


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.situation.__name__)
def test_the_answer_for(row: Row, bench: Bench) -> None:
    result = row.situation(bench)
    against = {found.kind for found in result.findings if found.severity == "error"}
    assert result.answer == row.answer, result.reasons
    if row.answer == KEEP:
        assert row.reason in against, result.reasons
        assert result.status is ExitStatus.ANSWER_IS_NO
        assert result.reasons
        assert result.permits == []
    else:
        assert against == set()
        assert result.basis == row.basis
        assert result.status is ExitStatus.DONE
        assert result.reasons == []
        assert len(result.permits) >= 1 or result.files == 0


def test_the_table_has_thirty_rows_and_both_answers() -> None:
    assert len(ROWS) >= 30
    assert {row.answer for row in ROWS} == {WIPE, KEEP}


def test_right_after_an_offload_the_answer_costs_less_than_a_second_and_reads_no_file_of_the_card(
    bench: Bench,
) -> None:
    bench.offload()
    read: list[bytes] = []
    io = HookedIo(lambda what, name, _: read.append(name) if what == "open_read" else None)
    began = time.process_time()  # what others do on this machine is nothing of ours
    assert bench.ask(io=io).answer == WIPE
    assert time.process_time() - began < 1
    assert not {name for name in read if not name.endswith((b".json", PARTIAL_SUFFIX))}  # its own papers only


def test_a_card_that_this_station_never_offloaded_is_kept_at_once_without_reading_it(bench: Bench) -> None:
    bench.offload()
    for path in bench.card.mount.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    fill(bench.card.mount, {f"OTHER/B002C00{number}.mov": 9000 for number in (1, 2)})
    result = bench.ask()
    assert (result.answer, result.basis) == (KEEP, None)
    assert any("nothing on this card is known" in reason for reason in result.reasons)
    # a file of the same path and size may be the same: only reading it tells
    fill(bench.card.mount, {FIRST: CLIPS[FIRST]}, salt=b"again")
    result = bench.ask()
    assert (result.answer, result.basis) == (KEEP, "reread")


def test_an_offload_ends_with_the_same_answer_and_writes_no_permit_of_its_own(bench: Bench) -> None:
    (roll,) = bench.offload().rolls
    assert roll.card is not None
    assert (roll.card.answer, roll.card.reasons) == (WIPE, [])
    assert bench.kinds(bench.one) == ["offload"]
    (alone,) = bench.offload(bench.three, roll="A003X").rolls
    assert alone.card is not None
    assert alone.card.answer == WIPE  # the two copies under the other name still count
    (few,) = (each for each in alone.findings if each.kind == "too-few-copies")
    assert not alone.enough_copies
    assert few.remedy == "nothing, for this card: the copies made before count as well"


def test_an_offload_to_one_drive_ends_with_keep_and_status_0(bench: Bench) -> None:
    result = bench.offload(bench.one)
    (roll,) = result.rolls
    assert (result.status, roll.enough_copies) == (ExitStatus.DONE, False)
    assert roll.card is not None
    assert roll.card.answer == KEEP
    assert "1 proven copy counts, 2 are required" in roll.card.reasons[0]


def test_an_offload_that_read_the_card_once_ends_with_keep_and_does_not_read_it_again(bench: Bench) -> None:
    (roll,) = bench.offload(single_read=True).rolls
    assert roll.card is not None
    assert roll.card.answer == KEEP
    assert "rollproof may-wipe" in roll.card.reasons[0]


def test_nothing_is_accepted_without_a_reason_and_a_name(bench: Bench) -> None:
    with pytest.raises(UsageProblem):
        bench.ask(accepted=("linked.mov",), reason=" ")
    with pytest.raises(UsageProblem):
        bench.ask(accepted=("linked.mov",), reason="a leftover", person=Person())


def test_the_card_is_never_written_to(bench: Bench) -> None:
    bench.offload()
    bench.card.replug(read_only=True)
    before = {path: path.stat() for path in bench.card.mount.rglob("*")}
    bench.ask(reread=True)
    assert {path: path.stat() for path in bench.card.mount.rglob("*")} == before


def test_what_can_be_checked_against_the_card_in_hand_is_told(bench: Bench) -> None:
    bench.offload()
    result = bench.ask()
    assert (result.files, result.clips) == (len(CLIPS), 3)
    assert (result.first_clip, result.last_clip) == ("A003C001_260514", "A003C003_260514")
    assert result.capacity_bytes > 0
    assert [(copy.counted, copy.attached, copy.readback) for copy in result.copies] == [(True, True, "medium")] * 2


def test_a_clip_that_held_zeros_when_it_was_offloaded_is_named_beside_the_answer(bench: Bench) -> None:
    pytest.importorskip("av")
    name = "A003C009_260514"
    movie = noisy_movie()
    (bench.card.mount / "CLIP" / f"{name}.mov").write_bytes(movie[: 2 << 20] + bytes(3 << 20) + movie[5 << 20 :])
    bench.offload()
    result = bench.ask()
    said = [found for found in result.findings if found.kind == "odd-clip" and found.path == name]
    assert result.answer == WIPE, result.reasons
    assert [found.severity for found in said] == ["warning"]
    assert "nothing but zeros" in said[0].detail
