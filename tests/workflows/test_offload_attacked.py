"""Offload under attack: by accidents, by forged papers, and by people who did something in between."""

from __future__ import annotations

import errno
import json
import os
import shutil
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from rollproof.drives.checks import bytes_needed
from rollproof.drives.system import system_drives
from rollproof.models.errors import ExitStatus
from rollproof.models.events import CardFree, Leg, LegEnded
from rollproof.models.names import MARKER_NAME
from rollproof.models.requests import Cancel
from rollproof.models.volumes import Volume
from rollproof.records.chain import read_chain
from rollproof.records.standing import standing
from rollproof.storage.io import EntryKind
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.offload.target import card_session
from workflows.station import CLIPS, Station, change_quietly, fill, tree

MARKER = MARKER_NAME.decode()
CLIP = "CLIP/A003C001_260514.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return Station(tmp_path)


def standing_of(roll: Path) -> str:
    """What the records in a roll folder say of it."""
    io = LinuxIo()
    handle = io.open_root(os.fsencode(roll))
    try:
        chain = read_chain(io, handle)
        return standing(io, handle, chain, system_drives().volume_of(os.fsencode(roll))).state
    finally:
        io.close(handle)


def one(station: Station) -> tuple[bytes, ...]:
    return (os.fsencode(station.one),)


def on_drive(given: tuple[Any, ...], drive: Path) -> bool:
    return os.readlink(f"/proc/self/fd/{given[0]}").startswith(str(drive))


def mark(folder: Path, written_as: Path, session: str | None = None) -> None:
    """Leave a marker that calls CLIP a suspect, with the looks of another file."""
    looks = written_as.stat()
    lines: list[dict[str, Any]] = [
        {"not_finished": "", "host": "x", "card_serial": None, "card_session": session},
        {"suspect": CLIP, "size": looks.st_size, "modified_ns": looks.st_mtime_ns},
    ]
    (folder / MARKER).write_text("".join(json.dumps(line) + "\n" for line in lines))


# --- records that speak of something else


def test_a_roll_copied_on_its_own_drive_by_other_means_is_read_before_it_counts(station: Station) -> None:
    station.offload()
    other = station.one / "sorted"
    other.mkdir()
    shutil.copytree(station.roll(station.one), other / "A003")
    for folder in (station.roll(station.one), other / "A003"):
        for path in folder.rglob("*"):
            os.utime(path, ns=(path.stat().st_mtime_ns, path.stat().st_mtime_ns))
    shutil.copystat(station.roll(station.one) / CLIP, other / "A003" / CLIP)
    change_quietly(other / "A003" / CLIP)
    roll = station.offload_one(destinations=(os.fsencode(other),))
    assert roll.verdict == "not proven"
    assert station.kinds(roll) == {"readback-differs"}


def test_a_production_file_found_only_later_does_not_break_the_chain_of_the_roll(station: Station) -> None:
    station.offload(destinations=one(station))
    (station.top / "production.toml").write_text('name = "The Bell Foundry"\nfolder = "{roll}"\n')
    fill(station.card, {"CLIP/A003C004_260514.mov": 40_000})
    roll = station.offload_one(destinations=one(station))
    assert roll.verdict == "proven"
    assert standing_of(station.roll(station.one)) == "proven"


def test_a_roll_folder_of_another_production_is_refused(station: Station) -> None:
    (station.top / "production.toml").write_text('name = "The Bell Foundry"\nfolder = "{roll}"\n')
    station.offload(destinations=one(station))
    (station.top / "production.toml").write_text('name = "The Other Foundry"\nfolder = "{roll}"\n')
    fill(station.card, {"CLIP/A003C004_260514.mov": 40_000})
    before = tree(station.one, own=True)
    roll = station.offload_one(destinations=one(station))
    assert roll.status is ExitStatus.REFUSED
    assert tree(station.one, own=True) == before


@pytest.mark.parametrize("what", ["record", "manifest", "chain", "bad row"])
def test_damaged_papers_in_the_roll_folder_are_refused_and_kept(station: Station, what: str) -> None:
    station.offload(destinations=one(station))
    station.verify(station.one)
    roll_folder = station.roll(station.one)
    if what == "record":
        (path,) = (roll_folder / "rollproof").glob("0001_*.json")
        path.write_text(path.read_text().replace('"proven": true', '"proven":  true', 1))
    elif what == "manifest":
        (path,) = (roll_folder / "ascmhl").glob("0001_*.mhl")
        path.write_bytes(path.read_bytes() + b"\n")
    elif what == "chain":
        (roll_folder / "ascmhl" / "ascmhl_chain.xml").write_bytes(b"<nonsense/>")
    else:
        for path in (roll_folder / "rollproof").glob("0002_*.json"):
            path.unlink()
        (path,) = (roll_folder / "rollproof").glob("0001_*.json")
        path.write_text(path.read_text().replace('"path": "NOTES.TXT"', '"path": "../NOTES.TXT"'))
    before = tree(station.one, own=True)
    roll = station.offload_one(destinations=one(station))
    assert roll.status is ExitStatus.REFUSED
    assert tree(station.one, own=True) == before


def test_evidence_that_todays_policy_does_not_take_is_no_reason_to_leave_a_copy_unread(station: Station) -> None:
    station.offload(destinations=one(station))
    (path,) = (station.roll(station.one) / "rollproof").glob("*.json")
    path.write_text(path.read_text().replace('"readback": "medium"', '"readback": "server"'))
    (station.top / "production.toml").write_text(
        'name = "The Bell Foundry"\nfolder = "{roll}"\naccepted_evidence = ["medium"]\n'
    )
    assert station.offload_one(destinations=one(station)).verdict == "proven"
    assert len(station.records(station.one)) == 2


def test_a_hash_that_was_asked_for_is_computed_although_a_record_proves_the_copy(station: Station) -> None:
    station.offload(destinations=one(station))
    assert station.offload_one(destinations=one(station), hashes=("xxh128", "md5")).verdict == "proven"
    assert all("md5" in row["hashes"] for row in station.records(station.one)[-1]["files"])


# --- a card that reads badly, later


def test_a_bad_read_of_the_card_takes_nothing_from_a_copy_that_was_proven_before(station: Station) -> None:
    station.offload(destinations=one(station))
    before = tree(station.one, own=True)

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and name == os.path.basename(CLIP).encode() and on_drive(given, station.card):
            raise OSError(errno.EIO, "Input/output error")

    roll = station.offload_one(io=HookedIo(hook), destinations=one(station))
    assert roll.verdict == "not proven"
    assert roll.status is ExitStatus.ANSWER_IS_NO
    assert tree(station.one, own=True) == before
    assert standing_of(station.roll(station.one)) == "proven"


def test_reading_the_card_once_takes_nothing_from_a_copy_that_was_proven_before(station: Station) -> None:
    station.offload(destinations=one(station))
    before = tree(station.one, own=True)
    roll = station.offload_one(destinations=one(station), single_read=True)
    assert roll.verdict == "not proven"
    assert tree(station.one, own=True) == before


# --- markers


def test_a_suspect_that_was_proven_since_is_not_copied_again(station: Station) -> None:
    station.offload(destinations=one(station))
    mark(station.roll(station.one), station.card / CLIP)
    writes: list[bytes] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "create":
            writes.append(name)

    roll = station.offload_one(io=HookedIo(hook), destinations=one(station))
    assert roll.verdict == "proven"
    assert writes == []
    assert not (station.roll(station.one) / MARKER).exists()


@pytest.mark.parametrize("of_this_card", [False, True])
def test_a_marker_never_makes_the_tool_remove_a_file_that_it_did_not_write(
    station: Station, of_this_card: bool
) -> None:
    """As when the marker of one roll folder is copied into another, or forged."""
    folder = station.roll(station.one)
    fill(folder, {CLIP: 1_234}, salt=b"another")
    session = card_session(system_drives().volume_of(os.fsencode(station.card))) if of_this_card else None
    mark(folder, station.card / CLIP, session)
    before = tree(folder)
    roll = station.offload_one(destinations=one(station))
    assert roll.status is ExitStatus.REFUSED
    assert tree(folder) == before


def test_a_suspect_that_a_record_calls_copied_is_never_replaced(station: Station) -> None:
    station.offload(destinations=one(station), single_read=True)
    folder = station.roll(station.one)
    change_quietly(folder / CLIP)
    mark(folder, station.card / CLIP)
    before = tree(folder)
    roll = station.offload_one(destinations=one(station))
    assert roll.verdict == "not proven"
    assert tree(folder) == {**before, MARKER: tree(folder)[MARKER]}


def test_a_file_that_grew_on_the_card_during_the_offload_is_copied_afresh_by_the_next_run(station: Station) -> None:
    grown = station.card / CLIP

    def grow(event: object) -> None:
        if isinstance(event, LegEnded) and event.leg is Leg.READ_CARD_AGAIN:
            with grown.open("ab") as opened:
                opened.write(b"more")

    roll = station.offload_one(on_event=grow)
    assert roll.verdict == "not proven"
    again = station.offload_one()
    assert again.verdict == "proven", station.kinds(again)
    assert tree(station.roll(station.one)) == tree(station.card)


def test_a_torn_last_line_of_the_marker_does_not_swallow_the_next_one(station: Station) -> None:
    station.offload(destinations=one(station))
    other = station.two / "A003"
    other.mkdir()
    (other / MARKER).write_text('{"suspect": "CLIP/A0')
    cancel = Cancel()

    def stop(event: object) -> None:
        if type(event).__name__ == "Moved":
            cancel.set()

    station.offload(destinations=(os.fsencode(station.two),), cancel=cancel, on_event=stop)
    lines = (other / MARKER).read_text().splitlines()
    assert any("card_serial" in json.loads(line) for line in lines if line.startswith('{"not_finished'))


# --- what a copy must be


def test_a_copy_without_its_modification_time_is_not_proven(station: Station) -> None:
    class Forgetful(LinuxIo):
        def set_modified(self, handle: int, modified_ns: int) -> None:
            pass

    roll = station.offload_one(io=Forgetful())
    assert roll.verdict == "not proven"
    assert all(destination.files_proven == 0 for destination in roll.destinations)


@pytest.mark.parametrize("what", ["link", "pipe"])
def test_a_roll_folder_that_holds_more_than_files_is_refused(station: Station, what: str) -> None:
    station.offload(destinations=one(station))
    odd = station.roll(station.one) / "CLIP" / "odd"
    odd.symlink_to("/etc/passwd") if what == "link" else os.mkfifo(odd)
    roll = station.offload_one(destinations=one(station))
    assert roll.status is ExitStatus.REFUSED


def test_what_an_interrupted_run_has_named_is_flushed_before_it_counts(station: Station) -> None:
    cancel = Cancel()

    def stop(event: object) -> None:
        if isinstance(event, CardFree):
            cancel.set()

    station.offload(cancel=cancel, on_event=stop, destinations=one(station))
    flushed: list[str] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation in ("flush", "flush_volume"):
            flushed.append(operation + " " + os.readlink(f"/proc/self/fd/{given[0]}"))

    assert station.offload_one(io=HookedIo(hook), destinations=one(station)).verdict == "proven"
    folder = station.roll(station.one)
    assert f"flush {folder}/CLIP" in flushed
    assert any(line.startswith("flush_volume") for line in flushed)


# --- the card


def test_many_unreadable_files_in_a_row_do_not_end_the_offload_of_a_card_that_answers(station: Station) -> None:
    fill(station.card, {f"FRAMES/{number:04}.dng": 20_000 for number in range(40)})
    bad = {f"{number:04}.dng".encode() for number in range(5, 30)}

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and name in bad and on_drive(given, station.card):
            raise OSError(errno.EIO, "Input/output error")

    roll = station.offload_one(io=HookedIo(hook))
    assert roll.status is ExitStatus.ANSWER_IS_NO
    assert all(destination.files_proven == len(CLIPS) + 40 - 25 for destination in roll.destinations)


def test_ctrl_c_while_a_later_card_is_looked_over_keeps_the_verdict_of_the_earlier_one(station: Station) -> None:
    second = station.top / "A004"
    fill(second, {"A004C001_260514.mov": 10_000})
    cancel = Cancel()

    class Io(LinuxIo):
        def open_root(self, path: bytes) -> int:
            if path == os.fsencode(second):
                cancel.set()
            return super().open_root(path)

    result = station.offload(io=Io(), cancel=cancel, cards=(os.fsencode(station.card), os.fsencode(second)))
    assert result.status is ExitStatus.INTERRUPTED
    assert result.rolls[0].verdict == "proven"


def test_ctrl_c_while_the_card_is_looked_at_the_last_time_is_no_error_of_the_card(station: Station) -> None:
    cancel = Cancel()

    def stop(event: object) -> None:
        if isinstance(event, LegEnded) and event.leg is Leg.READ_CARD_AGAIN:
            cancel.set()

    roll = station.offload_one(cancel=cancel, on_event=stop)
    assert roll.status is ExitStatus.INTERRUPTED
    assert station.kinds(roll) == set()


@pytest.mark.parametrize("where", ["list", "records"])
def test_a_drive_that_fails_while_it_is_looked_at_is_refused_by_name(station: Station, where: str) -> None:
    station.offload(destinations=one(station))

    class Io(LinuxIo):
        def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
            name = os.readlink(f"/proc/self/fd/{folder}")
            if name == str(station.roll(station.one)) + ("/rollproof" if where == "records" else ""):
                raise OSError(errno.EIO, "Input/output error")
            return super().list_folder(folder)

    roll = station.offload_one(io=Io(), destinations=one(station))
    assert roll.status is ExitStatus.REFUSED


# --- days


def test_a_roll_left_unfinished_yesterday_is_gone_on_with_in_yesterdays_folder(station: Station) -> None:
    (station.top / "production.toml").write_text('name = "The Bell Foundry"\nfolder = "{production}/{day}/{roll}"\n')
    cancel = Cancel()
    yesterday = datetime.fromisoformat("2026-05-14T21:00:00+02:00")
    today = datetime.fromisoformat("2026-05-15T09:00:00+02:00")

    def stop(event: object) -> None:
        if isinstance(event, CardFree):
            cancel.set()

    station.offload(cancel=cancel, on_event=stop, now=yesterday)
    roll = station.offload_one(now=today)
    assert roll.verdict == "proven"
    assert tree(station.one / "The Bell Foundry/2026-05-14/A003") == tree(station.card)
    assert not (station.one / "The Bell Foundry/2026-05-15").exists()


@pytest.mark.parametrize("leftover", [True, False])
def test_a_rerun_has_room_where_the_unfinished_file_of_the_killed_run_makes_way_for_its_copy(
    station: Station, leftover: bool
) -> None:
    station.offload_interrupted()
    victim = station.roll(station.one) / CLIP
    if leftover:
        victim.rename(victim.with_name(victim.name + ".rollproof-partial"))
    else:
        victim.unlink()
    real = system_drives()
    needed = bytes_needed([CLIPS[CLIP]], 1, real.volume_of(b"/").limits, ("xxh128",))

    class Tight:
        """Real drives, with half a clip less room than the missing clip needs."""

        def __getattr__(self, name: str) -> Any:
            return getattr(real, name)

        def volume_of(self, path: bytes) -> Volume:
            return replace(real.volume_of(path), free_bytes=needed - CLIPS[CLIP] // 2)

    roll = station.offload_one(drives=Tight(), destinations=(os.fsencode(station.one),))
    assert roll.verdict == ("proven" if leftover else "refused")
    assert leftover or station.kinds(roll) == {"no-space"}
