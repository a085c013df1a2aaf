"""What the station's ledger is told by offloads and verifies, and that nothing wrong with it is ever fatal."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path

import pytest

from copying.faults import HookedIo
from rollproof.copies.ledger_import import camera_of
from rollproof.ledger.entries import KnownCopy, KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import ExitStatus
from rollproof.models.events import CardFree
from rollproof.models.requests import Cancel, Person
from rollproof.station.ledger import StationLedger
from rollproof.storage.station import station_home, station_id
from workflows.station import CLIPS, Station, change_quietly


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return Station(tmp_path)


def the_roll(ledger: Ledger) -> tuple[KnownOffload, list[KnownCopy]]:
    """The one run and its copies."""
    (roll,) = ledger.rolls()
    (offload,) = ledger.offloads_of(roll.id)
    return offload, ledger.copies_of(roll.id)


def states() -> dict[str, str]:
    """What the ledger thinks of every copy, by drive."""
    with open_ledger() as ledger:
        return {copy.name: copy.state for roll in ledger.rolls() for copy in ledger.copies_of(roll.id)}


def test_an_offload_is_remembered_with_card_files_clips_copies_and_records(station: Station) -> None:
    station.offload(person=Person("the data wrangler", "data wrangler"), day="2026-05-14", unit="main")
    with open_ledger() as ledger:
        offload, copies = the_roll(ledger)
        assert (offload.roll, offload.ours, offload.station) == ("A003", True, station_id())
        assert [read.value for read in offload.card.reads] == ["medium", "medium"]
        assert {os.fsdecode(file.path): file.size for file in ledger.files_of(offload.id)} == CLIPS
        assert all(file.hash_text for file in ledger.files_of(offload.id))
        (roll,) = ledger.rolls()
        assert (roll.day, roll.unit, roll.camera, roll.clips) == ("2026-05-14", "main", "A", 3)
        assert [(copy.name, copy.state, copy.seen_here) for copy in copies] == [
            ("primary", "proven", True),
            ("backup", "proven", True),
        ]
        for copy, drive in zip(copies, (station.one, station.two), strict=True):
            (record,) = (station.roll(drive) / "rollproof").glob("*.json")
            assert ledger.digests_of(copy.id) == {1: [hashlib.sha256(record.read_bytes()).hexdigest()]}
        assert ledger.history(roll.id)[0].who.name == "the data wrangler"


def test_running_it_again_changes_nothing_but_when_it_was_seen(station: Station) -> None:
    station.offload()
    station.offload()
    with open_ledger() as ledger:
        offload, copies = the_roll(ledger)
        assert offload.files == len(CLIPS)
        assert [copy.state for copy in copies] == ["proven", "proven"]


def test_an_interrupted_offload_leaves_the_ledger_as_it_was(station: Station) -> None:
    cancel = Cancel()
    station.offload(cancel=cancel, on_event=lambda event: cancel.set() if isinstance(event, CardFree) else None)
    assert states() == {}


def test_a_read_back_that_differs_is_remembered(station: Station) -> None:
    cancel = Cancel()
    station.offload(cancel=cancel, on_event=lambda event: cancel.set() if isinstance(event, CardFree) else None)
    change_quietly(station.roll(station.one) / "CLIP/A003C001_260514.mov")
    assert "readback-differs" in station.kinds(station.offload())
    assert states() == {"primary": "incomplete", "backup": "proven"}


def test_a_drive_that_fails_is_remembered_as_failed_and_the_other_as_proven(station: Station) -> None:
    def hook(what: str, name: bytes, _: tuple[object, ...]) -> None:
        if what == "create" and name.startswith(b"A003C002"):
            seen.append(name)
            if len(seen) == 2:
                raise OSError(5, "Input/output error")

    seen: list[bytes] = []
    result = station.offload(io=HookedIo(hook))
    assert result.status is ExitStatus.NOT_FINISHED
    found = states()
    assert sorted(found.values()) in (["failed", "proven"], ["incomplete", "proven"])


@pytest.mark.parametrize("way", ["damaged", "unwritable"])
def test_a_ledger_that_cannot_be_used_is_a_warning_and_the_offload_is_proven_all_the_same(
    station: Station, way: str
) -> None:
    home = station_home()
    if way == "damaged":
        station.offload()
        shutil.rmtree(station.roll(station.one))
        shutil.rmtree(station.roll(station.two))
        (home / "ledger.sqlite3").write_bytes(b"no database at all" * 100)
    else:
        shutil.rmtree(home)
        home.write_bytes(b"a file where the folder should be")
    try:
        result = station.offload()
        assert (result.verdict, result.status) == ("proven", ExitStatus.DONE)
        assert "ledger-damaged" in station.kinds(result, "warning")
        card = result.rolls[0].card
        assert card is not None
        assert card.answer == "KEEP"
        verified = station.verify()
        assert (verified.verdict, verified.status) == ("proven", ExitStatus.DONE)
    finally:
        if way == "unwritable":
            home.unlink()
            home.mkdir()


def test_a_locked_ledger_is_a_warning_that_names_who_holds_it(station: Station) -> None:
    open_ledger().close()
    with open_ledger(wait_seconds=0.05) as ledger:
        other = sqlite3.connect(station_home() / "ledger.sqlite3", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        try:
            with StationLedger(ledger) as at_hand:
                assert at_hand.tell(lambda known: known.remember_seen(1, datetime.now(UTC))) is None
                (finding,) = at_hand.findings()
        finally:
            other.close()
    assert (finding.kind.value, finding.severity.value) == ("locked", "warning")
    assert "is held by" in finding.detail


def test_a_dry_run_and_a_refusal_make_no_ledger(station: Station) -> None:
    station.offload(dry_run=True)
    station.offload(expect_clips=99)
    assert not (station_home() / "ledger.sqlite3").exists()


def test_a_clean_verify_and_a_failed_one_are_remembered(station: Station) -> None:
    station.offload()
    change_quietly(station.roll(station.two) / "CLIP/A003C001_260514.mov")
    station.verify()
    assert states() == {"primary": "proven", "backup": "failed"}
    with open_ledger() as ledger:
        (roll,) = ledger.rolls()
        told = [(line.what, line.verdict) for line in ledger.history(roll.id) if line.drive == "backup"]
    assert ("verify", "not proven") in told
    assert ("finding", "error") in told


def test_a_verify_that_could_write_no_record_is_remembered_too(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    station.offload()
    change_quietly(station.roll(station.two) / "CLIP/A003C001_260514.mov")
    monkeypatch.setattr(os, "access", lambda *_, **__: False)
    station.verify(station.two)
    assert len(station.records(station.two)) == 1
    assert states()["backup"] == "failed"


def test_a_copy_found_by_verify_that_nobody_told_of_is_learned_with_its_roll(station: Station) -> None:
    station.offload()
    for path in station_home().glob("ledger*"):
        path.unlink()
    station.verify(station.one)
    with open_ledger() as ledger:
        offload, copies = the_roll(ledger)
        assert not offload.ours  # a drive can say of any run that it was this station's
        assert [(copy.name, copy.state, copy.seen_here) for copy in copies] == [("primary", "proven", True)]


def test_each_verify_says_which_records_are_gone_and_the_copy_counts_again(station: Station) -> None:
    station.offload()
    station.verify(station.one, person=Person("the data wrangler"))
    sorted((station.roll(station.one) / "rollproof").glob("*.json"))[-1].unlink()
    for _ in range(2):
        result = station.verify(station.one)
        assert station.kinds(result, "warning") & {"record-missing", "chain-broken"}


def test_an_offload_record_that_was_changed_is_an_error_and_never_learned_over_the_old(station: Station) -> None:
    station.offload()
    (record,) = (station.roll(station.one) / "rollproof").glob("*.json")
    record.write_bytes(record.read_bytes().replace(b'"copies_required": 2', b'"copies_required": 1'))
    Path(f"{record}.sig").unlink()  # whoever changes a record does not leave the signature that tells of it
    for _ in range(2):  # the second verify must not take for known what the first one found
        result = station.verify(station.one)
        assert result.status is ExitStatus.ANSWER_IS_NO
        assert "chain-broken" in station.kinds(result)
        assert any("not the one that this station remembers" in found.detail for found in result.copies[0].findings)
        assert states()["primary"] == "failed"
    with open_ledger() as ledger:
        (copy,) = [copy for copy in the_roll(ledger)[1] if copy.name == "primary"]
        assert ledger.digests_of(copy.id, kind="offload")[1] != [hashlib.sha256(record.read_bytes()).hexdigest()]


@pytest.mark.parametrize(
    ("roll", "camera"),
    [("A003", "A"), ("B012R1BF", "B"), ("SR012", None), ("S001", None), ("sound", None), ("A", None), ("", None)],
)
def test_the_camera_is_the_letter_of_the_rolls_name(roll: str, camera: str | None) -> None:
    assert camera_of(roll) == camera


def test_the_order_is_records_then_ledger_then_verdict(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    happened: list[str] = []

    def note(module: str, name: str, word: str) -> None:
        real: Callable[..., object] = getattr(import_module(module), name)

        def told(*given: object, **named: object) -> object:
            happened.append(word)
            return real(*given, **named)

        monkeypatch.setattr(f"{module}.{name}", told)

    note("rollproof.workflows.offload.evidence", "append_record", "record")
    note("rollproof.workflows.offload.roll", "remember_card", "ledger")
    note("rollproof.workflows.offload.roll", "roll_result", "verdict")
    station.offload()
    assert happened == ["record", "record", "ledger", "verdict"]
