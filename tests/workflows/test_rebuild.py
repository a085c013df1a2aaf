"""The ledger made anew from drives alone: what it knows then, and what it does not claim to know."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import ExitStatus, Interrupted
from rollproof.models.requests import Cancel
from rollproof.records.models import CopyState
from rollproof.station.context import Context
from rollproof.storage.station import station_home
from rollproof.workflows.offload.evidence import EvidenceWriter
from rollproof.workflows.offload.target import DriveAtWork
from rollproof.workflows.rebuild import RebuildResult, rebuild_ledger
from workflows.station import CLIPS, Station, change_quietly


@pytest.fixture
def station(tmp_path: Path) -> Station:
    made = Station(tmp_path)
    made.offload(day="2026-05-14", unit="main")
    return made


def rebuild(*paths: Path) -> RebuildResult:
    """From these drives."""
    return rebuild_ledger([os.fsencode(path) for path in paths], Context.of(cancel=Cancel()))


@pytest.mark.path
def test_rolls_files_clips_copies_and_records_are_as_before(station: Station) -> None:
    station.verify()
    with open_ledger() as ledger:
        before = ledger.rolls()
        digests = [ledger.digests_of(copy.id) for copy in ledger.copies_of(before[0].id)]
    result = rebuild(station.one, station.two)
    assert result.status is ExitStatus.DONE
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        (known,) = before
        for name in ("name", "day", "unit", "camera", "files", "size_bytes", "clips", "copies", "copies_proven"):
            assert getattr(roll, name) == getattr(known, name), name
        (offload,) = ledger.offloads_of(roll.id)
        assert {os.fsdecode(file.path) for file in ledger.files_of(offload.id)} == {*CLIPS}
        again = [ledger.digests_of(copy.id) for copy in ledger.copies_of(roll.id)]
        assert all(
            newest.items() <= known_digests.items() for newest, known_digests in zip(digests, again, strict=True)
        )


def test_what_drives_tell_is_nobodys_own_and_nothing_was_seen(station: Station) -> None:
    rebuild(station.one, station.two)
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        (offload,) = ledger.offloads_of(roll.id)
        assert not offload.ours
        assert [copy.seen_here for copy in ledger.copies_of(roll.id)] == [False, False]
        assert ledger.findings == ()


def test_a_sibling_that_is_not_there_is_hearsay(station: Station) -> None:
    result = rebuild(station.one)
    assert len(result.rolls) == 1
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        one, two = ledger.copies_of(roll.id)
        assert (two.name, two.seen_at, two.seen_here) == ("backup", None, False)
        assert "has not seen it" in two.why
        assert ledger.digests_of(two.id) == {}
        assert len(ledger.digests_of(one.id)) == 1


@pytest.mark.parametrize("turned", [False, True])
def test_a_sibling_that_was_written_first_does_not_make_a_finished_copy_an_incomplete_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, turned: bool
) -> None:
    write = EvidenceWriter.__call__

    def while_the_others_are_at_work(self: EvidenceWriter, at: DriveAtWork, state: CopyState) -> str:
        self.states = lambda drive: "incomplete"
        return write(self, at, state)

    monkeypatch.setattr(EvidenceWriter, "__call__", while_the_others_are_at_work)
    station = Station(tmp_path)
    station.offload()
    record = json.loads(next((station.roll(station.one) / "rollproof").glob("*.json")).read_text())
    assert [record["copy"]["state"], *(other["state"] for other in record["other_copies"])] == ["proven", "incomplete"]
    drives = (station.two, station.one) if turned else (station.one, station.two)
    rebuild(*drives)
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        assert [copy.state for copy in ledger.copies_of(roll.id)] == ["proven", "proven"]


def test_a_failed_verify_is_taken_in(station: Station) -> None:
    change_quietly(station.roll(station.two) / "CLIP/A003C001_260514.mov")
    station.verify(station.two)
    result = rebuild(station.one, station.two)
    assert [roll.state for roll in result.rolls] == ["proven", "unproven"]
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        assert [copy.state for copy in ledger.copies_of(roll.id)] == ["proven", "unproven"]


def test_a_record_that_cannot_be_read_is_an_error_and_the_rest_is_taken_in(station: Station) -> None:
    (record,) = (station.roll(station.one) / "rollproof").glob("*.json")
    record.write_bytes(record.read_bytes()[:-40])
    result = rebuild(station.one, station.two)
    assert result.status is ExitStatus.ANSWER_IS_NO
    assert [roll.state for roll in result.rolls] == ["unknown", "proven"]
    assert "bad-record" in {finding.kind for finding in result.findings}


def test_the_old_ledger_is_set_aside_whole_or_damaged(station: Station) -> None:
    rebuild(station.one)
    (station_home() / "ledger.sqlite3").write_bytes(b"no database" * 500)
    rebuild(station.one)
    assert len(list(station_home().glob("ledger-set-aside-*.sqlite3"))) == 2


def test_without_any_drive_nothing_is_begun(station: Station) -> None:
    result = rebuild(station.top / "nowhere")
    assert (result.status, result.drives) == (ExitStatus.ANSWER_IS_NO, 0)
    assert not list(station_home().glob("ledger-set-aside-*"))
    with open_ledger() as ledger:
        assert len(ledger.rolls()) == 1


def test_an_end_that_is_asked_for_is_an_interruption(station: Station) -> None:
    cancel = Cancel()
    with pytest.raises(Interrupted):
        rebuild_ledger([os.fsencode(station.one)], Context.of(cancel=cancel), say=lambda path: cancel.set())


def test_nothing_on_the_drives_is_changed(station: Station) -> None:
    def look() -> dict[Path, tuple[int, int]]:
        return {path: ((found := path.stat()).st_size, found.st_mtime_ns) for path in station.top.rglob("*")}

    before = look()
    rebuild(station.one, station.two)
    assert look() == before
