"""The report of a day and of a production, from the ledger and from drives: what is in it, what is never touched."""

from __future__ import annotations

import json
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from demo_media.stage import stage_card

from reports.bell_foundry import a_copy_of_report
from rollproof.models.delivery_results import ReportResult
from rollproof.models.errors import ExitStatus, Refused, UsageProblem
from rollproof.models.requests import Person, ReportRequest
from rollproof.models.volumes import Device
from rollproof.reports.model import Report, RollOfReport
from rollproof.station.context import Context
from rollproof.workflows.report import report
from rollproof.workflows.report.rolls import CopyFound, RollFound, person_of
from workflows.station import CLIPS, Station, change_quietly, fill, tree

DAY = "2026-05-14"
NOW = datetime(2026, 5, 14, 20, 15, tzinfo=UTC)
WRANGLER = Person("", "data wrangler")


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Station:
    monkeypatch.setenv("ROLLPROOF_HOME", str(tmp_path / "home"))
    made = Station(tmp_path)
    assert made.offload(day=DAY, unit="main", person=WRANGLER).verdict == "proven"
    return made


def write(station: Station, *drives: Path, day: str | None = DAY, **given: Any) -> ReportResult:
    wish: dict[str, Any] = {"out": os.fsencode(station.top / "reports"), "working_folder": os.fsencode(station.top)}
    paths = tuple(os.fsencode(drive) for drive in drives)
    return report(ReportRequest(paths, day, **{**wish, "person": WRANGLER, **given}), Context.of(now=NOW))


def read(result: ReportResult) -> Report:
    return Report.model_validate_json(Path(result.files["json"]).read_text())


def one_roll(station: Station, *drives: Path, **given: Any) -> RollOfReport:
    (roll,) = read(write(station, *drives, **given)).rolls
    return roll


def second_roll(station: Station, name: str = "B002", day: str = "2026-05-15") -> None:
    card = station.top / name
    fill(card, {f"CLIP/{name}C001_260514.mov": 30_000}, salt=name.encode())
    station.offload(cards=(os.fsencode(card),), day=day)


@pytest.mark.path
def test_every_file_of_the_report_is_written_and_nothing_on_the_drives_is_touched(station: Station) -> None:
    before = tree(station.one, own=True), tree(station.card, own=True)
    result = write(station, station.one, station.two)
    assert {kind for kind in result.files if kind != "pdf"} == {"html", "rolls_csv", "clips_csv", "json"}
    for path in result.files.values():
        assert Path(path).stat().st_size > 0
    assert (tree(station.one, own=True), tree(station.card, own=True)) == before
    assert result.status is ExitStatus.DONE


def test_a_roll_is_told_with_its_card_copies_clips_and_people(station: Station) -> None:
    result = write(station, station.one, station.two)
    made = read(result)
    (roll,) = made.rolls
    assert (roll.roll, roll.day, roll.unit, roll.camera, roll.files) == ("A003", DAY, "main", "A", len(CLIPS))
    assert roll.bytes == sum(CLIPS.values())
    assert (roll.first_clip, roll.last_clip, roll.clips_count) == ("A003C001_260514", "A003C003_260514", 3)
    assert [copy.known_from for copy in roll.copies] == ["drive", "drive"]
    assert {copy.drive for copy in roll.copies} == {"primary", "backup"}
    assert {copy.state for copy in roll.copies} == {"proven"}
    assert roll.card is not None
    assert len(roll.card.reads) == 2
    assert [person.role for person in made.people] == ["data wrangler"]
    record = station.records(station.one)[0]
    hashes = {entry["path"]: entry["hashes"]["xxh128"] for entry in record["files"]}
    assert {clip.path: clip.hash for clip in roll.clips} == {
        path: f"xxh128:{hashes[path]}" for path in hashes if path.endswith(".mov")
    }


def test_two_copies_on_one_device_are_one_and_the_report_says_what_lacks(station: Station) -> None:
    result = write(station, station.one, station.two)
    roll = read(result).rolls[0]
    assert (roll.devices_proven, roll.copies_required, roll.state) == (1, 2, "too few copies")
    assert (result.verdict, result.lacking) == ("not all proven", ["A003"])


def test_without_drives_the_report_is_the_stations_memory_and_says_so(station: Station) -> None:
    shutil.rmtree(station.one)
    shutil.rmtree(station.two)
    result = write(station)
    made = read(result)
    (roll,) = made.rolls
    assert [copy.known_from for copy in roll.copies] == ["ledger", "ledger"]
    assert [clip.name for clip in roll.clips] == ["A003C001_260514", "A003C002_260514", "A003C003_260514"]
    assert all(clip.hash for clip in roll.clips)
    assert made.looked_at == []
    assert any("No drive was looked at" in note for note in made.notes)


def test_what_was_told_of_clips_when_they_were_copied_is_remembered_without_drives(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = station.top / "A007"
    stage_card("A003", card)
    assert station.offload(cards=(os.fsencode(card),), day=DAY, roll="A007").verdict == "proven"

    def facts(*drives: Path) -> dict[str, tuple[Any, ...]]:
        (roll,) = [roll for roll in read(write(station, *drives)).rolls if roll.roll == "A007"]
        return {
            clip.name: (clip.duration, clip.timecode, clip.frame_rate, clip.resolution, clip.codec)
            for clip in roll.clips
        }

    def paces(*drives: Path) -> list[tuple[Any, ...]]:
        made = read(write(station, *drives))
        assert {speed.roll for speed in made.speeds} <= {"A003", "A007"}
        speeds = [(speed.drive, speed.started_at, speed.seconds, speed.bytes, speed.stretches) for speed in made.speeds]
        copies = [(copy.drive, copy.bytes_per_second) for roll in made.rolls for copy in roll.copies]
        return sorted(speeds) + sorted(copies, key=str)

    attached = facts(station.one)
    measured = paces(station.one, station.two)
    assert any(drive == "backup" and pace for drive, pace in (each[:2] for each in measured))
    assert len(attached) == 4
    assert all(duration for duration, *_ in attached.values())
    away = station.top / "away"
    away.mkdir()
    for drive in (station.one, station.two):
        drive.rename(away / drive.name)
    assert facts() == attached
    assert paces() == measured
    # a ledger that learns of the roll from a drive remembers as much
    monkeypatch.setenv("ROLLPROOF_HOME", str(station.top / "another station"))
    assert station.verify(away / station.one.name).verdict == "proven"
    assert facts() == attached
    assert [each for each in paces() if each[0] == "primary"] == [each for each in measured if each[0] == "primary"]


def test_the_same_roll_is_told_by_a_station_that_has_never_seen_it(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = one_roll(station, station.one)
    monkeypatch.setenv("ROLLPROOF_HOME", str(station.top / "another station"))
    there = one_roll(station, station.one)
    assert (there.roll, there.day, there.unit, there.files, there.clips) == (
        here.roll, here.day, here.unit, here.files, here.clips,
    )  # fmt: skip
    # the sibling is hearsay now, and is never counted
    assert {copy.drive: copy.known_from for copy in there.copies} == {"primary": "drive", "backup": "record"}
    assert there.devices_proven == 1


def test_what_the_drive_says_now_goes_before_what_the_ledger_remembers(station: Station) -> None:
    assert {copy.state for copy in one_roll(station).copies} == {"proven"}
    change_quietly(station.roll(station.one) / "CLIP/A003C002_260514.mov")
    station.verify(station.one)
    for drives, state in (((), "failed"), ((station.one,), "unproven")):
        roll = one_roll(station, *drives)
        assert {copy.drive: copy.state for copy in roll.copies} == {"primary": state, "backup": "proven"}
        assert any(finding.severity == "error" for finding in roll.findings)


def test_a_day_holds_its_own_rolls_and_the_production_all_of_them(station: Station) -> None:
    second_roll(station)
    assert [roll.roll for roll in read(write(station)).rolls] == ["A003"]
    made = read(write(station, day=None, whole=True))
    assert [(roll.day, roll.roll) for roll in made.rolls] == [(DAY, "A003"), ("2026-05-15", "B002")]
    assert [total.name for total in made.per_camera] == ["A", "B"]
    assert [total.rolls for total in made.per_day] == [1, 1]
    assert (made.scope, made.day) == ("production", None)


def test_a_day_that_nobody_shot_on_is_wrong_usage_and_the_known_days_are_named(station: Station) -> None:
    with pytest.raises(UsageProblem, match=DAY):
        write(station, day="2026-01-01")
    assert not (station.top / "reports").exists()


def test_a_second_report_of_a_day_gets_a_name_of_its_own(station: Station) -> None:
    first, second = write(station), write(station)
    before = {path: Path(path).read_bytes() for path in first.files.values()}
    third = write(station, station.one)
    assert len({*first.files.values(), *second.files.values(), *third.files.values()}) == 3 * len(first.files)
    assert {path: Path(path).read_bytes() for path in first.files.values()} == before


def test_a_report_goes_into_the_stations_own_folder_unless_told(station: Station) -> None:
    result = write(station, out=None)
    assert result.folder == str(station.top / "home" / "reports")


def test_a_copy_that_others_recorded_is_in_the_report_and_is_not_counted(station: Station) -> None:
    shutil.rmtree(station.roll(station.two) / "rollproof")
    roll = one_roll(station, station.one, station.two)
    states = {(copy.drive, copy.known_from): copy.state for copy in roll.copies}
    assert states.pop(("primary", "drive")) == "proven"
    assert list(states.values()) == ["recorded by others"]
    assert (roll.devices_proven, roll.state) == (1, "too few copies")


def test_a_roll_that_only_others_recorded_is_in_the_report_with_what_is_known(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROLLPROOF_HOME", str(station.top / "another station"))
    shutil.rmtree(station.roll(station.one) / "rollproof")
    result = write(station, station.one, day=None, whole=True)
    (roll,) = read(result).rolls
    (copy,) = roll.copies
    assert (roll.roll, roll.state, roll.files) == ("A003", "not proven", len(CLIPS))
    assert [clip.name for clip in roll.clips] == ["A003C001_260514", "A003C002_260514", "A003C003_260514"]
    assert all(clip.hash and clip.bytes for clip in roll.clips)
    assert (copy.state, copy.proof, copy.known_from) == ("recorded by others", None, "drive")
    assert "no record tells of a verify" in copy.why
    assert station.verify(station.one).verdict == "proven"
    (copy,) = read(write(station, station.one, day=None, whole=True)).rolls[0].copies
    assert "the newest verify says proven" in copy.why


def test_the_production_file_names_the_production_and_counts_the_day(station: Station) -> None:
    (station.top / "production.toml").write_text(
        'name = "The Bell Foundry"\nfirst_day = 2026-05-03\n[[drives]]\nrole = "primary"\npath = "/nowhere"\n'
    )
    second_roll(station, day="12")
    made = read(write(station, day="12"))
    assert (made.day, made.productions) == ("day_012", ["The Bell Foundry"])
    assert [roll.roll for roll in made.rolls] == ["B002"]


def test_how_fast_a_copy_was_written_and_read_back_is_in_its_record_and_in_the_report(station: Station) -> None:
    record = station.records(station.one)[0]
    legs = {pace["leg"]: pace for pace in record["pace"]}
    assert set(legs) == {"write", "read back"}
    for pace in legs.values():
        assert pace["bytes"] == sum(pace["stretches"]) == sum(CLIPS.values())
    made = read(write(station, station.one))
    assert {speed.drive: speed.bytes for speed in made.speeds} == dict.fromkeys(
        ("primary", "backup"), sum(CLIPS.values())
    )


def test_the_room_on_a_drive_is_told_and_days_to_come_are_reckoned_from_all_its_days(station: Station) -> None:
    second_roll(station)
    (drive,) = read(write(station, station.one)).drives
    assert drive.free_bytes is not None
    assert drive.footage_bytes == sum(CLIPS.values()) + 30_000
    assert drive.bytes_per_day == drive.footage_bytes / 2


def test_a_drive_that_is_not_there_is_refused_and_one_without_rolls_is_said(station: Station) -> None:
    with pytest.raises(Refused):
        write(station, station.top / "gone")
    (station.top / "empty").mkdir()
    result = write(station, station.top / "empty")
    assert [finding.kind for finding in result.findings if finding.severity == "error"] == ["no-history"]
    assert result.status is ExitStatus.ANSWER_IS_NO


def test_a_record_full_of_markup_and_control_codes_is_only_text(station: Station) -> None:
    card = station.top / "odd"
    fill(card, {"CLIP/<script>x\x1b[2J=1+1.mov": 50})
    station.offload(cards=(os.fsencode(card),), roll="A009", day=DAY, person=Person("<b>=cmd</b>", "\u202egnp"))
    result = write(station, station.one)
    for kind, path in result.files.items():
        if kind != "pdf":
            text = Path(path).read_text()
            assert "\x1b" not in text
            assert "\u202e" not in text
    assert "<script>" not in Path(result.files["html"]).read_text()


def test_a_ledger_that_cannot_be_read_leaves_what_the_drives_say(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = station.top / "broken home"
    home.mkdir()
    monkeypatch.setenv("ROLLPROOF_HOME", str(home))
    (home / "ledger.sqlite").write_bytes(b"this is no database" * 1000)
    assert one_roll(station, station.one).state == "too few copies"


def test_the_json_beside_it_is_one_object_with_a_format(station: Station) -> None:
    told = json.loads(Path(write(station).files["json"]).read_text())
    assert told["format"] == "rollproof-report/1"
    assert told["total"]["rolls"] == len(told["rolls"])


def test_a_copy_that_was_copied_on_is_a_copy_of_the_same_roll_and_the_drive_it_came_from_is_no_card(
    station: Station, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = station.top / "archive"
    archive.mkdir()
    assert station.offload(cards=(os.fsencode(station.one),), destinations=(os.fsencode(archive),)).verdict == "proven"
    for home in ("home", "elsewhere"):  # with a memory of the card's own offload, and without
        monkeypatch.setenv("ROLLPROOF_HOME", str(tmp_path / home))
        roll = one_roll(station, archive, station.one, station.two)
        assert {copy.drive for copy in roll.copies} == {"primary", "backup", "archive"}
        assert roll.card is not None
        assert roll.card.serial == station.records(station.one)[0]["source"]["serial"]
    alone = one_roll(station, archive)
    assert alone.card is not None
    assert len(alone.card.reads) == 2


def test_a_copy_that_only_another_copys_record_speaks_of_is_never_counted() -> None:
    found = RollFound("The Bell Foundry", "A003", "1A2B", NOW, person_of("", ""))
    for device, known_from in (("disk-1", "drive"), ("disk-2", "record")):
        copy = a_copy_of_report(device, known_from=known_from)
        found.add_copy(CopyFound(device, Device(device), copy))
    assert (found.devices_proven, found.state) == (1, "too few copies")
    found.add_copy(
        CopyFound("disk-2", Device("disk-2"), a_copy_of_report("disk-2", known_from="ledger", folder="seen"))
    )
    assert (found.devices_proven, found.state) == (2, "proven")


def test_what_was_seen_goes_before_a_memory_of_the_same_copy_whichever_is_heard_first() -> None:
    for order in (("drive", "ledger", "record"), ("record", "ledger", "drive"), ("ledger", "drive", "record")):
        found = RollFound("The Bell Foundry", "A003", "1A2B", NOW, person_of("", ""))
        for known_from in order:
            state = {"drive": "unproven", "ledger": "proven", "record": "proven"}[known_from]
            found.add_copy(CopyFound("disk", Device("disk"), a_copy_of_report(known_from=known_from, state=state)))
        assert found.state == "not proven"
