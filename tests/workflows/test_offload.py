"""Offload, whole: what it writes, what it calls proven, how it refuses, how it goes on after anything."""

from __future__ import annotations

import errno
import json
import os
import threading
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from rollproof.ascmhl import manifest_xml
from rollproof.ascmhl.manifest_xml import ManifestBody
from rollproof.ascmhl.model import FileHash
from rollproof.drives.system import system_drives
from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.events import CardFree, DriveDone, Event, Leg, LegStarted
from rollproof.models.names import MARKER_NAME
from rollproof.records.write import RowLines
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.offload import evidence as offload_evidence
from workflows.station import CLIPS, Station, change_quietly, fill, tree

MARKER = MARKER_NAME.decode()


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return Station(tmp_path)


def written_names(log: list[bytes]) -> HookedIo:
    """Real calls; the names of all files that media bytes are written to go to `log`."""

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "write":
            log.append(name.removesuffix(b".rollproof-partial"))

    return HookedIo(hook)


@pytest.mark.path
def test_a_card_arrives_whole_on_both_drives_with_its_record_and_manifest(station: Station) -> None:
    before = tree(station.card)
    result = station.offload()
    assert (result.verdict, result.status) == ("proven", ExitStatus.DONE)
    (roll,) = result.rolls
    assert roll.source_evidence == ["medium", "medium"]
    for destination, drive in zip(roll.destinations, (station.one, station.two), strict=True):
        assert destination.state == "proven"
        assert destination.readback == "medium"
        assert destination.files_proven == len(CLIPS)
        assert tree(station.roll(drive)) == before
        (record,) = station.records(drive)
        assert all(row["proven"] for row in record["files"])
        assert list((station.roll(drive) / "ascmhl").glob("0001_A003_*.mhl"))
        assert not (station.roll(drive) / MARKER).exists()
    assert tree(station.card) == before


@pytest.mark.parametrize("single_read", [False, True])
def test_what_is_the_same_in_the_papers_of_several_drives_is_worked_out_once(
    station: Station, monkeypatch: pytest.MonkeyPatch, single_read: bool
) -> None:
    made: list[str] = []

    def counted(kind: type) -> Any:
        def make(*given: Any) -> Any:
            made.append(kind.__name__)
            return kind(*given)

        return make

    for kind in (ManifestBody, RowLines):
        monkeypatch.setattr(offload_evidence, kind.__name__, counted(kind))
    states = {destination.state for destination in station.offload_one(single_read=single_read).destinations}
    assert states == {"copied" if single_read else "proven"}
    assert sorted(made) == ["ManifestBody", "RowLines"]
    (one,), (two,) = station.records(station.one), station.records(station.two)
    assert one["files"] == two["files"]
    assert {(row["proven"], row.get("state")) for row in one["files"]} == {
        (False, "copied") if single_read else (True, None)
    }
    assert len(one["files"]) == len(CLIPS)


def test_two_drives_sealed_at_once_whose_manifest_is_too_long_to_wait_in_memory_are_both_proven(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(offload_evidence, "ManifestBody", partial(ManifestBody, limit_bytes=0))
    both, plain = threading.Barrier(2), manifest_xml._file

    def file_element(file: FileHash) -> str:
        if threading.current_thread().name.startswith("drive-"):
            try:
                both.wait(1)  # both are in the middle of the same files
            except threading.BrokenBarrierError:
                both.reset()
        return plain(file)

    monkeypatch.setattr(manifest_xml, "_file", file_element)
    assert [destination.state for destination in station.offload_one().destinations] == ["proven", "proven"]


@pytest.mark.parametrize("place", ["drive", "card"])
def test_a_computer_out_of_open_files_at_the_last_look_is_not_taken_for_a_drive_or_card_that_is_gone(
    station: Station, place: str
) -> None:
    path = os.fsencode(station.roll(station.one) if place == "drive" else station.card)
    begun = threading.Event()
    refused: list[bytes] = []

    class Out(LinuxIo):
        def open_root(self, wanted: bytes) -> int:
            if wanted == path and begun.is_set():
                refused.append(wanted)
                raise OSError(errno.EMFILE, "Too many open files")
            return super().open_root(wanted)

    def on_event(event: Event) -> None:
        if isinstance(event, LegStarted) and event.leg is Leg.READ_CARD:
            begun.set()

    roll = station.offload_one(io=Out(), on_event=on_event)
    assert refused
    findings = [*roll.findings, *(found for destination in roll.destinations for found in destination.findings)]
    told = " ".join(finding.detail for finding in findings)
    assert "no more files open" in told
    assert "unmounted or exchanged" not in told
    assert "no longer there" not in told
    assert roll.verdict == "not proven"


@pytest.mark.parametrize("bad_on_two", ["", "CLIP/A003C002_260514.mov"], ids=["the other has it", "another elsewhere"])
def test_a_drive_that_lacks_a_file_says_so_in_its_own_papers(station: Station, bad_on_two: str) -> None:
    station.offload_interrupted()
    bad = {station.one: "CLIP/A003C001_260514.mov", station.two: bad_on_two}
    for drive, name in bad.items():
        if name:
            change_quietly(station.roll(drive) / name)
    states = [destination.state for destination in station.offload_one().destinations]
    assert states == ["incomplete" if name else "proven" for name in bad.values()]
    for drive, lacking in bad.items():
        (record,) = station.records(drive)
        assert {row["path"]: row["proven"] for row in record["files"]} == {name: name != lacking for name in CLIPS}
        (manifest,) = (station.roll(drive) / "ascmhl").glob("0001_A003_*.mhl")
        text = manifest.read_text()
        assert {name for name in CLIPS if f">{name}<" in text} == {name for name in CLIPS if name != lacking}


def test_two_drives_on_one_disk_are_proven_and_still_too_few(station: Station) -> None:
    roll = station.offload_one()
    assert not roll.enough_copies
    assert {"same-device", "too-few-copies"} <= station.kinds(roll, "warning")


def test_the_second_run_copies_nothing_and_writes_no_second_record(station: Station) -> None:
    station.offload()
    log: list[bytes] = []
    result = station.offload(io=written_names(log))
    assert result.verdict == "proven"
    assert log == []
    assert len(station.records(station.one)) == 1


def test_a_drive_that_joins_later_gets_its_copy_and_the_proven_one_is_left_alone(station: Station) -> None:
    station.offload(destinations=(os.fsencode(station.one),))
    log: list[bytes] = []
    roll = station.offload_one(io=written_names(log))
    assert [destination.state for destination in roll.destinations] == ["proven", "proven"]
    assert len([name for name in log if name.endswith(b".mov")]) >= 3
    assert len(station.records(station.one)) == 1


@pytest.mark.path
def test_ctrl_c_leaves_the_marker_and_the_same_command_finishes_without_copying_finished_files_again(
    station: Station,
) -> None:
    result = station.offload_interrupted()
    assert result.status is ExitStatus.INTERRUPTED
    assert result.verdict == "not proven"
    finished = {name for name in tree(station.roll(station.one)) if name != MARKER}
    assert finished == set(CLIPS)
    assert (station.roll(station.one) / MARKER).exists()
    assert station.records(station.one) == []
    log: list[bytes] = []
    again = station.offload(io=written_names(log))
    assert again.verdict == "proven"
    assert not {os.path.basename(name).encode() for name in finished} & set(log)
    assert not (station.roll(station.one) / MARKER).exists()


def test_a_finished_file_of_an_earlier_run_that_is_wrong_is_found_although_its_size_and_date_are_right(
    station: Station,
) -> None:
    station.offload_interrupted()
    victim = station.roll(station.one) / "CLIP/A003C001_260514.mov"
    change_quietly(victim)
    roll = station.offload_one()
    assert roll.status is ExitStatus.ANSWER_IS_NO
    assert "readback-differs" in station.kinds(roll)
    assert [destination.state for destination in roll.destinations] == ["incomplete", "proven"]
    # its suspect is known now: the next run copies it afresh and only then lets go of the wrong one
    again = station.offload_one()
    assert again.verdict == "proven"
    assert victim.read_bytes() == (station.card / "CLIP/A003C001_260514.mov").read_bytes()


def test_a_folder_of_somebody_else_that_differs_only_in_bytes_is_found_and_never_touched(station: Station) -> None:
    fill(station.roll(station.one), CLIPS)
    victim = station.roll(station.one) / "CLIP/A003C002_260514.mov"
    change_quietly(victim)
    wrong = victim.read_bytes()
    for _ in range(3):
        roll = station.offload_one()
        assert roll.status is ExitStatus.ANSWER_IS_NO
        assert victim.read_bytes() == wrong


@pytest.mark.parametrize("change", ["size", "date", "stranger"])
def test_a_roll_folder_with_other_content_is_refused_and_nothing_is_written(station: Station, change: str) -> None:
    fill(station.roll(station.one), CLIPS)
    victim = station.roll(station.one) / "NOTES.TXT"
    if change == "size":
        victim.write_bytes(b"other")
    elif change == "date":
        os.utime(victim, ns=(1, 1))
    else:
        (station.roll(station.one) / "B001.mov").write_bytes(b"of another roll")
    before = tree(station.top, own=True)
    roll = station.offload_one()
    assert (roll.verdict, roll.status) == ("refused", ExitStatus.REFUSED)
    assert station.kinds(roll) == {"different-content"}
    assert tree(station.top, own=True) == before


def test_a_card_that_was_used_again_is_not_mixed_into_the_roll_of_its_name(station: Station) -> None:
    station.offload()
    fill(station.card, {"CLIP/A003C001_260514.mov": 123_456}, salt=b"new")
    roll = station.offload_one()
    assert roll.status is ExitStatus.REFUSED
    assert "different-content" in station.kinds(roll)


def test_what_records_prove_and_the_card_has_otherwise_now_is_not_counted_as_proven(station: Station) -> None:
    station.offload_one(destinations=(os.fsencode(station.one),))
    change_quietly(station.card / "CLIP/A003C001_260514.mov")
    roll = station.offload_one()
    old, new = roll.destinations
    assert (old.state, old.files_proven) == ("incomplete", old.files_total - 1)
    assert [finding.kind for finding in old.findings] == ["different-content"]
    assert (new.state, new.files_proven) == ("proven", new.files_total)


def test_a_card_that_went_on_recording_is_added_to_its_roll(station: Station) -> None:
    station.offload()
    fill(station.card, {"CLIP/A003C004_260514.mov": 40_000})
    log: list[bytes] = []
    roll = station.offload_one(io=written_names(log))
    assert roll.verdict == "proven"
    assert [name for name in log if name.endswith(b".mov")] == [b"A003C004_260514.mov"] * 2
    assert [len(record["files"]) for record in station.records(station.one)] == [5, 6]


def test_every_problem_is_listed_at_once_and_nothing_is_written(station: Station) -> None:
    inside = station.card / "CLIP"
    before = tree(station.top, own=True)
    result = station.offload(
        destinations=tuple(os.fsencode(path) for path in (inside, station.one, station.one, station.top / "absent")),
        expect_clips=23,
        expect_last="A003C023",
    )
    assert (result.verdict, result.status) == ("refused", ExitStatus.REFUSED)
    assert {"destination-inside-source", "same-folder", "drive-missing", "expected-clips"} <= station.kinds(result)
    assert tree(station.top, own=True) == before
    assert result.findings


def test_a_drive_named_twice_is_said_to_be_named_twice_and_nothing_else_is(station: Station) -> None:
    station.offload()
    result = station.offload(destinations=(os.fsencode(station.one), os.fsencode(station.one)))
    assert result.status is ExitStatus.REFUSED
    assert [each.kind for each in result.findings if each.severity == "error"] == ["same-folder"]


@pytest.mark.parametrize("below", ["", "CLIP"])
def test_a_roll_is_not_copied_into_the_folder_of_a_roll(station: Station, below: str) -> None:
    station.offload()
    (folder,) = station.one.rglob("rollproof")
    inside = folder.parent / below
    before = tree(station.top, own=True)
    result = station.offload(destinations=(os.fsencode(inside), os.fsencode(station.two)))
    assert result.status is ExitStatus.REFUSED
    assert "destination-inside-roll" in station.kinds(result)
    assert tree(station.top, own=True) == before


def test_what_the_camera_report_says_is_held_against_the_card(station: Station) -> None:
    assert station.offload_one(expect_clips=3, expect_last="A003C003").verdict == "proven"


def test_an_empty_card_is_refused(station: Station) -> None:
    empty = station.top / "B001"
    empty.mkdir()
    result = station.offload(cards=(os.fsencode(empty),))
    assert result.status is ExitStatus.REFUSED
    assert station.kinds(result) == {"nothing-to-copy"}


def test_no_card_at_all_is_refused_by_name(station: Station) -> None:
    result = station.offload(cards=(os.fsencode(station.top / "B001"),))
    assert result.status is ExitStatus.REFUSED
    assert station.kinds(result) == {"card-missing"}


def test_nothing_to_copy_to_is_wrong_usage(station: Station) -> None:
    with pytest.raises(UsageProblem, match="where to copy"):
        station.offload(destinations=())


def test_a_dry_run_shows_the_plan_and_writes_nothing(station: Station) -> None:
    before = tree(station.top, own=True)
    result = station.offload(dry_run=True)
    assert (result.verdict, result.status) == ("planned", ExitStatus.DONE)
    assert tree(station.top, own=True) == before


def test_a_dry_run_says_when_the_drives_are_not_enough_for_the_copies_asked_for(station: Station) -> None:
    (station.top / "production.toml").write_text('name = "The Bell Foundry"\nfolder = "{roll}"\ncopies_required = 4\n')
    told = station.offload(dry_run=True, production_file=os.fsencode(station.top / "production.toml")).rolls[0]
    (short,) = [finding for finding in told.findings if finding.kind == "too-few-copies"]
    assert "would count once all is proven, 4 are required" in short.detail


@pytest.mark.parametrize("dry_run", [True, False], ids=["in the dry run", "before copying"])
def test_a_card_that_is_proven_under_another_name_is_told_before_it_is_copied(station: Station, dry_run: bool) -> None:
    station.offload(roll="B004")
    told = station.offload(roll="B005", dry_run=dry_run).rolls[0]
    (known,) = [finding for finding in told.findings if finding.kind == "known-card"]
    assert (known.severity, known.count) == ("warning", 1)
    assert "was offloaded as roll B004" in known.detail
    assert known.detail.endswith("2 proven copies of it known here")
    said = [type(event).__name__ for event in station.events if getattr(event, "roll", "") == "B005"]
    assert dry_run or said.index("FindingRaised") < said.index("LegStarted")


def test_a_card_that_changed_since_is_no_known_card(station: Station) -> None:
    station.offload(roll="B004")
    (station.card / "CLIP/new.mov").write_bytes(b"x" * 4096)
    assert "known-card" not in station.kinds(station.offload(roll="B005", dry_run=True), "warning")


def test_a_single_read_is_copied_not_proven_and_the_whole_command_proves_it_later(station: Station) -> None:
    roll = station.offload_one(single_read=True)
    assert roll.status is ExitStatus.ANSWER_IS_NO
    assert [destination.state for destination in roll.destinations] == ["copied", "copied"]
    assert "single-read" in station.kinds(roll, "warning")
    log: list[bytes] = []
    assert station.offload_one(io=written_names(log)).verdict == "proven"
    assert not [name for name in log if name.endswith(b".mov")]


def test_a_link_on_the_card_is_named_never_followed_and_the_rest_is_copied(station: Station) -> None:
    (station.card / "CLIP/out.mov").symlink_to("/etc/hostname")
    os.mkfifo(station.card / "pipe")
    roll = station.offload_one()
    assert roll.status is ExitStatus.ANSWER_IS_NO
    assert {"link", "special-file"} <= station.kinds(roll)
    assert not (station.roll(station.one) / "CLIP/out.mov").exists()
    assert roll.destinations[0].files_proven == len(CLIPS)


def test_litter_is_left_on_the_card_and_named_in_the_manifest(station: Station) -> None:
    (station.card / ".DS_Store").write_bytes(b"x")
    (station.card / ".Trashes").mkdir()
    (station.card / ".Trashes/old.mov").write_bytes(b"x" * 100)
    assert station.offload_one().verdict == "proven"
    assert set(tree(station.roll(station.one))) == set(CLIPS)
    (manifest,) = (station.roll(station.one) / "ascmhl").glob("*.mhl")
    assert "<pattern>.Trashes</pattern>" in manifest.read_text()


def test_several_cards_go_one_after_the_other_each_with_its_own_verdict(station: Station) -> None:
    other = station.top / "B002"
    fill(other, {"B002C001.mov": 9_000})
    result = station.offload(cards=(os.fsencode(station.card), os.fsencode(other)))
    assert [(roll.roll, roll.verdict) for roll in result.rolls] == [("A003", "proven"), ("B002", "proven")]


def test_a_refused_card_beside_a_proven_one_makes_the_answer_no(station: Station) -> None:
    result = station.offload(cards=(os.fsencode(station.card), os.fsencode(station.top / "none")))
    assert [roll.verdict for roll in result.rolls] == ["proven", "refused"]
    assert result.status is ExitStatus.ANSWER_IS_NO


@pytest.mark.parametrize("change", ["grows", "re-dated", "removed", "added"])
def test_a_card_that_changes_during_the_offload_is_a_finding_and_what_changed_is_not_proven(
    station: Station, change: str
) -> None:
    victim = station.card / "CLIP/A003C003_260514.mov"

    def alter(event: object) -> None:
        if isinstance(event, LegStarted) and event.leg is Leg.READ_CARD_AGAIN:
            if change == "grows":
                victim.write_bytes(victim.read_bytes() + b"more")
            elif change == "re-dated":
                os.utime(victim, ns=(5, 5))
            elif change == "removed":
                victim.unlink()
            else:
                (station.card / "CLIP/A003C009.mov").write_bytes(b"new")

    roll = station.offload_one(on_event=alter)
    assert roll.status is ExitStatus.ANSWER_IS_NO
    assert roll.verdict == "not proven"
    assert "card-changed" in station.kinds(roll)
    if change != "added":
        (record,) = station.records(station.one)
        proven = {row["path"]: row["proven"] for row in record["files"]}
        assert proven == {name: name != "CLIP/A003C003_260514.mov" for name in CLIPS}


def test_a_card_exchanged_on_its_mount_point_proves_nothing(station: Station) -> None:
    def swap(event: object) -> None:
        if isinstance(event, LegStarted) and event.leg is Leg.READ_CARD_AGAIN:
            station.card.rename(station.top / "pulled")
            fill(station.card, CLIPS)

    roll = station.offload_one(on_event=swap)
    assert roll.verdict == "not proven"
    assert "card-changed" in station.kinds(roll)
    assert all(destination.files_proven == 0 for destination in roll.destinations)


def test_a_drive_exchanged_under_its_path_is_not_called_proven(station: Station) -> None:
    def swap(event: object) -> None:
        if isinstance(event, CardFree):
            station.one.rename(station.top / "moved")
            station.one.mkdir()

    roll = station.offload_one(on_event=swap)
    assert roll.status is ExitStatus.NOT_FINISHED
    assert [destination.state for destination in roll.destinations] == ["failed", "proven"]
    assert tree(station.one) == {}


def test_a_second_offload_to_the_same_roll_folder_is_refused_while_the_first_is_at_work(station: Station) -> None:
    seen: list[object] = []

    def again(event: object) -> None:
        if isinstance(event, CardFree):
            seen.append(Station.offload_one(station, destinations=(os.fsencode(station.one),)))

    station.offload(on_event=again)
    (refused,) = seen
    assert station.kinds(refused) == {"locked"}  # type: ignore[arg-type]


def test_a_copy_that_a_drive_falsified_is_copied_afresh_by_the_next_run(station: Station) -> None:
    real = LinuxIo()
    victim = os.fsencode(station.one)
    done: list[int] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> int | None:
        if operation != "write" or done or not name.startswith(b"A003C003"):
            return None
        if not os.readlink(f"/proc/self/fd/{given[0]}").encode().startswith(victim):
            return None
        done.append(1)
        return real.write_from(given[0], memoryview(b"?" * len(given[1])), given[2])

    roll = station.offload_one(io=HookedIo(hook))
    assert [destination.state for destination in roll.destinations] == ["incomplete", "proven"]
    assert (station.roll(station.one) / MARKER).exists()
    again = station.offload_one()
    assert again.verdict == "proven"
    assert tree(station.roll(station.one)) == tree(station.card)
    assert not (station.roll(station.one) / MARKER).exists()


def test_a_full_drive_is_named_and_the_other_is_proven(station: Station) -> None:
    victim = os.fsencode(station.one)

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation != "write" or not name.startswith(b"A003C001_260514.mov"):
            return
        if os.readlink(f"/proc/self/fd/{given[0]}").encode().startswith(victim):
            raise OSError(errno.ENOSPC, "No space left on device")

    roll = station.offload_one(io=HookedIo(hook))
    assert roll.status is ExitStatus.NOT_FINISHED
    assert [destination.state for destination in roll.destinations] == ["failed", "proven"]
    assert station.kinds(roll) == {"drive-full"}
    assert (station.roll(station.one) / MARKER).exists()
    assert station.offload_one().verdict == "proven"


def test_a_record_that_cannot_be_written_keeps_the_copy_from_being_called_proven(station: Station) -> None:
    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "rename" and b"_offload_" in name:
            raise OSError(errno.EIO, "Input/output error")

    roll = station.offload_one(io=HookedIo(hook))
    assert roll.status is ExitStatus.NOT_FINISHED
    assert all(destination.files_proven == 0 for destination in roll.destinations)
    assert (station.roll(station.one) / MARKER).exists()
    assert station.offload_one().verdict == "proven"


def test_a_copied_roll_on_another_volume_is_hashed_again_before_it_counts(station: Station) -> None:
    """The record speaks of a device; here its volume is renamed in the record, as if the folder had been dragged."""
    station.offload()
    (path,) = (station.roll(station.one) / "rollproof").glob("*.json")
    text = path.read_text()
    copy = next(line for line in text.splitlines() if line.startswith('  "copy": '))
    block = json.loads(copy.removeprefix('  "copy": ').removesuffix(","))
    block["device"]["key"] = "another disk"
    path.write_text(text.replace(copy, f'  "copy": {json.dumps(block)},'))
    reads: list[bytes] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "read" and os.readlink(f"/proc/self/fd/{given[0]}").startswith(str(station.one)):
            reads.append(name)

    assert station.offload_one(io=HookedIo(hook)).verdict == "proven"
    assert {name for name in reads if name.endswith(b".mov")} == {
        os.path.basename(name).encode() for name in CLIPS if name.endswith(".mov")
    }
    assert len(station.records(station.one)) == 2  # and its own record says so


AWKWARD = {
    b"A003C001 .mov": b"spaces",
    b"-rf.mov": b"dash",
    "Glocke \U0001f514.mov".encode(): b"emoji",
    b"line\nbreak.mov": b"newline",
    b"not-utf8-\xff\xfe.mov": b"bytes",
    "caf\u00e9.mov".encode(): b"one form",
    "cafe\u0301.mov".encode(): b"the other form",
    b"n" * 251 + b".mov": b"255 bytes",
    b"/".join([b"d"] * 40) + b"/deep.mov": b"depth 40",
    b"A003C002.mov/inside.mov": b"a folder called like a file",
    b"empty.mov": b"",
}


def test_awkward_names_arrive_byte_for_byte(tmp_path: Path) -> None:
    station = Station(tmp_path)
    top = os.fsencode(station.card)
    for name, content in AWKWARD.items():
        path = os.path.join(top, name)
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, "wb") as file:
            file.write(content)
    os.makedirs(os.path.join(top, b"empty/inside"))
    roll = station.offload_one(roll="A003")
    assert [destination.state for destination in roll.destinations] == ["proven", "proven"]
    copied = os.fsencode(station.roll(station.two))
    for name, content in AWKWARD.items():
        with open(os.path.join(copied, name), "rb") as file:
            assert file.read() == content
    assert os.path.isdir(os.path.join(copied, b"empty/inside"))
    assert station.verify(station.two).verdict == "proven"
    assert station.offload_one(roll="A003").verdict == "proven"


def test_nothing_is_asked_of_other_programs_once_the_drives_are_at_work(station: Station) -> None:
    """A child process inherits the handles of a drive that hangs, and hangs with them: the good drives would wait."""
    real = system_drives()

    class Once:
        """Real answers, until the first byte of the card is read."""

        name = real.name
        working = False

        def __getattr__(self, name: str) -> Any:
            if self.working and name not in ("medium_now",):
                raise AssertionError(f"{name} may start another program")
            return getattr(real, name)

    drives = Once()

    def begin(event: object) -> None:
        if isinstance(event, LegStarted):
            drives.working = True

    def end(event: object) -> None:
        begin(event)
        if isinstance(event, DriveDone) and event.needed is None:
            done.append(event)
            drives.working = len(done) < 2

    done: list[DriveDone] = []
    assert station.offload_one(drives=drives, on_event=end).verdict == "proven"
    assert len(done) == 2
