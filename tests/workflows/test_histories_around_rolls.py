"""Histories that lie around rolls, of a day or of a drive, written by this tool or by somebody else's: what an audit, a
handover and a receive make of them."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from ascmhl.mhl_trees import generation, hashed
from rollproof.ascmhl.model import FileHash
from rollproof.ascmhl.nested import references_to
from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.write import write_generation
from rollproof.models.audit_results import AuditResult
from rollproof.models.custody_results import HandoverResult, ReceiveResult
from rollproof.models.requests import AuditRequest, Cancel, HandoverRequest, Person, ReceiveRequest
from rollproof.station.context import Context
from rollproof.storage.system import system_io
from rollproof.workflows.audit import audit
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.custody.receive import receive
from workflows.station import SMALL, Station, change_quietly, fill
from workflows.test_copies_of_productions import Foundry, manifests

NOTES = "sound-report.txt"
PERSON = Person("the supervisor", "post supervisor")


def somebodys_history(folder: Path, *inner: str, algorithm: str = "md5") -> None:
    """A first generation as another tool writes it: every file that lies in no inner history, no folder hashes."""
    own = [
        path
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.relative_to(folder).as_posix().startswith(inner or "\0")
    ]
    files = [
        FileHash(
            os.fsencode(path.relative_to(folder)),
            path.stat().st_size,
            path.stat().st_mtime_ns,
            hashed(path.read_bytes(), algorithm),
        )
        for path in own
    ]
    io = system_io()
    handle = io.open_root(os.fsencode(folder))
    histories = []
    for name in inner:
        below = io.open_root(os.fsencode(folder / name))
        histories.append((os.fsencode(name), read_history(io, below)))
        io.close(below)
    new = generation(
        sorted(files, key=lambda each: each.path), algorithms=(algorithm,), references=references_to(histories)
    )
    write_generation(io, handle, os.fsencode(folder.name), new)
    io.close(handle)


@pytest.fixture
def day(tmp_path: Path) -> Path:
    """A day on a drive, all of it by another tool: two rolls with a history each, and one around them that knows a
    sound report as well."""
    made = tmp_path / "LOAN" / "day_004"
    fill(made / "A009", {"A009C001.mov": 40_000, "A009C001.xml": 100}, salt=b"A009")
    fill(made / "B009", {"B009C001.mov": 30_000}, salt=b"B009")
    (made / NOTES).write_text("two takes, one wild track\n")
    somebodys_history(made / "A009")
    somebodys_history(made / "B009", algorithm="c4")
    somebodys_history(made, "A009", "B009")
    return made


def look(*drives: Path, reread: bool = False) -> AuditResult:
    """An audit."""
    request = AuditRequest(tuple(map(os.fsencode, drives)), reread=reread, person=PERSON)
    return audit(request, Context.of(emit=lambda event: None, cancel=Cancel(), settings=SMALL))


def hand_over(drive: Path, **given: Any) -> HandoverResult:
    """The drive leaves."""
    request = HandoverRequest(os.fsencode(drive), to="post house", person=PERSON, **given)
    return handover(request, Context.of(emit=lambda event: None, cancel=Cancel(), settings=SMALL))


def arrive(drive: Path) -> ReceiveResult:
    """The drive arrives."""
    request = ReceiveRequest(os.fsencode(drive), None, PERSON)
    return receive(request, Context.of(emit=lambda event: None, cancel=Cancel(), settings=SMALL))


def found(result: AuditResult | HandoverResult | ReceiveResult, *severities: str) -> set[tuple[str, str]]:
    """Kind and path of the findings that count."""
    return {
        (each.kind, each.path)
        for each in result.findings
        if each.severity in (severities or ("error", "warning")) and each.kind not in ("too-few-copies", "same-device")
    }


def states(result: AuditResult) -> dict[str, list[str]]:
    """Every roll with the states of its copies."""
    return {roll.name: [copy.state for copy in roll.copies] for roll in result.rolls}


# --- files of its own


def test_the_files_of_the_history_around_rolls_are_no_strangers_and_it_is_no_roll(day: Path) -> None:
    result = look(day.parent)
    assert states(result) == {"A009": ["copied"], "B009": ["copied"]}
    assert found(result) == set()


def test_an_audit_that_reads_again_reads_them_too_and_every_history_grows(day: Path) -> None:
    folders = [day, day / "A009", day / "B009"]
    result = look(day.parent, reread=True)
    assert states(result) == {"A009": ["reread"], "B009": ["reread"]}
    assert found(result) == set()
    assert [len(manifests(folder)) for folder in folders] == [2, 2, 2]


def test_another_byte_in_one_of_them_is_found_by_reading_and_remembered(day: Path) -> None:
    change_quietly(day / NOTES, at=3)
    assert found(look(day.parent)) == set()
    assert found(look(day.parent, reread=True)) == {("differs", NOTES)}
    assert {kind for kind, _ in found(look(day.parent))} == {"differs"}


def test_one_of_them_that_is_gone_is_missed_without_reading(day: Path) -> None:
    (day / NOTES).unlink()
    assert found(look(day.parent)) == {("missing", NOTES)}


def test_a_file_beside_them_that_nobody_recorded_is_still_told(day: Path) -> None:
    (day / "stray.txt").write_text("?")
    assert found(look(day.parent), "note") >= {("unknown-file", "day_004/stray.txt")}


# --- a roll that was dropped


def test_a_roll_that_the_history_around_it_knows_is_missed_by_every_command(day: Path) -> None:
    shutil.rmtree(day / "B009")
    assert found(look(day.parent)) == {("missing", "B009")}
    left = hand_over(day.parent)
    assert (left.verdict, found(left, "error")) == ("not proven", {("missing", "B009")})
    arrived = arrive(day.parent)
    assert arrived.verdict == "not proven"


def test_so_is_one_that_was_dropped_from_an_archive_of_ours(tmp_path: Path) -> None:
    foundry = Foundry(tmp_path)
    foundry.run()
    assert hand_over(foundry.two).verdict == "proven"
    shutil.rmtree(foundry.copy / "day_001" / "B002")
    assert ("missing", "day_001/B002") in found(look(foundry.two))
    assert hand_over(foundry.two).verdict == "not proven"
    arrived = arrive(foundry.two)
    assert (arrived.verdict, ("missing", "day_001/B002") in found(arrived)) == ("not proven", True)


def test_a_receive_goes_on_with_the_history_around_the_rolls(tmp_path: Path) -> None:
    foundry = Foundry(tmp_path)
    foundry.run()
    assert arrive(foundry.two).verdict == "proven"
    assert len(manifests(foundry.copy)) == 2


# --- handed over


def test_every_roll_in_it_has_its_own_line_in_a_handover(day: Path) -> None:
    left = hand_over(day.parent, reread=True)
    assert left.verdict == "proven"
    (place,) = left.handovers
    assert [(roll.folder, roll.files) for roll in place.rolls] == [
        ("day_004", 1),
        ("day_004/A009", 2),
        ("day_004/B009", 1),
    ]
    assert all(roll.record for roll in place.rolls)


def test_a_record_that_one_of_them_lost_on_the_way_changes_the_receipt(day: Path) -> None:
    hand_over(day.parent, reread=True)
    shutil.rmtree(day / "A009" / "rollproof")
    arrived = arrive(day.parent)
    assert (arrived.verdict, arrived.same) == ("not proven", False)


def test_rolls_without_records_may_be_received_as_often_as_one_likes(day: Path) -> None:
    left = hand_over(day.parent)
    assert left.verdict == "not proven"
    assert all("--reread" in finding.remedy for finding in left.findings if finding.kind == "not-proven")
    for _ in range(3):
        arrived = arrive(day.parent)
        assert (arrived.verdict, arrived.same) == ("proven", True)


def test_a_history_at_the_top_of_the_drive_and_its_handovers_keep_out_of_each_others_way(tmp_path: Path) -> None:
    drive = tmp_path / "LOAN"
    fill(drive / "A009", {"A009C001.mov": 40_000})
    (drive / NOTES).write_text("two takes\n")
    somebodys_history(drive / "A009")
    somebodys_history(drive, "A009")
    left = hand_over(drive, reread=True)
    assert left.verdict == "proven"
    for _ in range(2):
        arrived = arrive(drive)
        assert (arrived.verdict, arrived.same, found(arrived)) == ("proven", True, set())


# --- somebody's history of a whole day, and the rolls of it elsewhere


@pytest.fixture
def loan(tmp_path: Path) -> tuple[Station, Path]:
    """Two rolls on a drive of ours, and a drive where somebody's tool has recorded the day as one."""
    station = Station(tmp_path)
    fill(station.top / "B002", {"B002C001.mov": 9_000})
    assert station.offload(cards=(os.fsencode(station.card), os.fsencode(station.top / "B002"))).verdict == "proven"
    shutil.rmtree(station.two)
    day = tmp_path / "LOAN" / "day_001"
    for roll in sorted(station.one.iterdir()):
        shutil.copytree(roll, day / roll.name, ignore=shutil.ignore_patterns("rollproof", "ascmhl"))
    somebodys_history(day)
    return station, day


def on_loan(result: AuditResult) -> dict[str, str]:
    """The states of the copies on the borrowed drive."""
    return {roll.name: copy.state for roll in result.rolls for copy in roll.copies if copy.drive == 1}


def test_such_a_day_is_its_rolls_where_another_drive_knows_them(loan: tuple[Station, Path]) -> None:
    station, day = loan
    assert list(states(look(day.parent))) == ["day_001"]
    result = look(station.one, day.parent)
    assert on_loan(result) == {"A003": "copied", "B002": "copied"}
    assert "day_001" not in states(result)
    assert on_loan(look(station.one, day.parent, reread=True)) == {"A003": "reread", "B002": "reread"}
    assert on_loan(look(station.one, day.parent)) == {"A003": "reread", "B002": "reread"}
    assert len(manifests(day)) == 2


def test_another_byte_in_such_a_day_is_said_of_the_roll_it_lies_in(loan: tuple[Station, Path]) -> None:
    station, day = loan
    change_quietly(day / "B002" / "B002C001.mov")
    result = look(station.one, day.parent, reread=True)
    assert on_loan(result) == {"A003": "copied", "B002": "damaged"}
    assert result.verdict == "not complete"


def test_a_roll_that_is_gone_from_such_a_day_is_said_of_that_roll_only(loan: tuple[Station, Path]) -> None:
    station, day = loan
    look(station.one, day.parent, reread=True)
    shutil.rmtree(day / "B002")
    assert on_loan(look(station.one, day.parent)) == {"A003": "copied", "B002": "incomplete"}


def test_a_file_that_only_one_side_has_is_told(loan: tuple[Station, Path]) -> None:
    station, day = loan
    shutil.rmtree(day / "ascmhl")
    fill(day / "B002", {"B002C009.mov": 9_000})
    somebodys_history(day)
    assert {kind for kind, _ in found(look(station.one, day.parent))} >= {"not-in-every-copy"}


def test_a_roll_without_a_history_of_its_own_among_others_that_have_one_is_a_copy_too(day: Path) -> None:
    shutil.rmtree(day / "ascmhl")
    shutil.rmtree(day / "B009" / "ascmhl")
    somebodys_history(day, "A009")
    result = look(day.parent, reread=True)
    assert states(result) == {"A009": ["reread"], "B009": ["reread"]}
    assert found(result) == set()


def test_a_folder_of_which_a_history_above_it_speaks_is_told_where_that_lies(loan: tuple[Station, Path]) -> None:
    station, day = loan
    (nothing,) = station.verify(day / "B002").findings
    assert (nothing.kind, str(day) in nothing.detail, f"rollproof verify {day}" in nothing.remedy) == (
        "no-history",
        True,
        True,
    )
    assert [str(day) in each.detail for each in look(day / "B002").findings if each.kind == "no-history"] == [True]


# --- copies that have no hash in common


def counted_on_loan(result: AuditResult) -> dict[str, bool]:
    """Whether the copies on the borrowed drive count."""
    return {roll.name: copy.counted for roll in result.rolls for copy in roll.copies if copy.drive == 1}


def test_copies_that_nobody_has_compared_do_not_count_together(loan: tuple[Station, Path]) -> None:
    station, day = loan
    assert station.verify(day).verdict == "proven"
    result = look(station.one, day.parent)
    assert on_loan(result) == {"A003": "reread", "B002": "reread"}
    assert counted_on_loan(result) == {"A003": False, "B002": False}
    assert {kind for kind, _ in found(result, "warning")} == {"not-compared"}


def test_reading_again_compares_them_by_one_hash_and_the_history_keeps_it(loan: tuple[Station, Path]) -> None:
    station, day = loan
    for reread in (True, False):
        result = look(station.one, day.parent, reread=reread)
        assert counted_on_loan(result) == {"A003": True, "B002": True}
        assert found(result) == set()


def test_another_content_of_the_same_size_is_no_copy_whatever_its_own_history_says(loan: tuple[Station, Path]) -> None:
    station, day = loan
    shutil.rmtree(day / "ascmhl")
    change_quietly(day / "B002" / "B002C001.mov")
    somebodys_history(day)
    result = look(station.one, day.parent, reread=True)
    assert counted_on_loan(result) == {"A003": True, "B002": False}
    assert {(kind, path) for kind, path in found(result, "error")} == {("copies-disagree", "B002C001.mov")}


def test_so_it_is_where_nothing_can_be_written_down(loan: tuple[Station, Path]) -> None:
    station, day = loan
    shutil.rmtree(day / "ascmhl")
    change_quietly(day / "B002" / "B002C001.mov")
    for roll in ("A003", "B002"):
        names = [path for path in sorted((day / roll).rglob("*")) if path.is_file()]
        lines = [f"{hashed(path.read_bytes(), 'md5')['md5']}  {path.relative_to(day / roll)}\n" for path in names]
        (day / roll / f"{roll}.md5").write_text("".join(lines))
    result = look(station.one, day.parent, reread=True)
    assert counted_on_loan(result) == {"A003": True, "B002": False}
    assert {(kind, path) for kind, path in found(result, "error")} == {("copies-disagree", "B002C001.mov")}
