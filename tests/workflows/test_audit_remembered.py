"""What an audit knows beside the copy itself: the station's memory, siblings, and what every walk leaves out."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from audit.production import InventedDrives, Made, ToShoot
from rollproof.copies.ledger_import import learn_copy
from rollproof.copies.ledger_update import remember_chain
from rollproof.copies.roll_folder import RollFolder
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.models.audit_results import AuditResult
from rollproof.models.requests import AuditRequest, Cancel
from rollproof.records import clock
from rollproof.station.context import Context
from rollproof.station.keys import station_signer
from rollproof.workflows.audit import audit
from workflows.station import SMALL

ROLLS = (ToShoot("A001", 1, "main"), ToShoot("A002", 1, "main"), ToShoot("S001", 1, "main"))
MAIN = ("MAIN_1", "MAIN_2", "SHUTTLE")
CLIP = "CLIP/A001C001.mov"


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Three rolls on three drives."""
    production = Made(tmp_path / "drives", station_signer())
    production.top.mkdir()
    production.build(ROLLS)
    shutil.rmtree(production.top / "ARCHIVE")
    return production


def learn(made: Made, ledger: Ledger) -> None:
    """The station has seen every copy."""
    for drive in MAIN:
        for roll in ROLLS:
            path = os.fsencode(made.at(drive, roll))
            volume = made.then.volume_of(path)
            with made.opened(made.at(drive, roll)) as handle:
                folder = RollFolder(made.io, handle, path, volume, drive)
                chain = folder.chain()
                copies = learn_copy(ledger, folder, chain, folder.standing(chain), seen_at=clock.now())
                for copy_id in copies:
                    remember_chain(ledger, copy_id, chain)


def look(made: Made, ledger: Ledger | None = None, **given: Any) -> AuditResult:
    """An audit of the three drives."""
    request = AuditRequest(tuple(os.fsencode(made.top / name) for name in MAIN), **given)
    return audit(
        request, Context.of(emit=lambda event: None, cancel=Cancel(), drives=made.now, ledger=ledger, settings=SMALL)
    )


def a001(result: AuditResult) -> list[tuple[str, bool]]:
    """State of the first roll's copies, and whether they count."""
    (roll,) = [roll for roll in result.rolls if roll.name == "A001"]
    return [(copy.state, copy.counted) for copy in roll.copies]


def said(result: AuditResult) -> set[tuple[str, str, str]]:
    """Severity, kind and roll of every finding but those about signatures."""
    return {
        (finding.severity, finding.kind, finding.roll) for finding in result.findings if finding.kind != "not-signed"
    }


def lose_the_permit(made: Made) -> None:
    """The newest record of a copy is gone with its signature."""
    for path in (made.at("MAIN_1", "A001") / "rollproof").glob("0002_*"):
        path.unlink()


def change_the_permit(made: Made) -> None:
    """The newest record is another, and nobody signed it."""
    (path,) = (made.at("MAIN_1", "A001") / "rollproof").glob("0002_*.json")
    path.write_bytes(path.read_bytes().replace(b"data wrangler", b"data wrangleR"))
    path.with_name(path.name + ".sig").unlink()


@pytest.mark.parametrize(("harm", "kind"), [(lose_the_permit, "record-missing"), (change_the_permit, "chain-broken")])
def test_a_copy_whose_records_are_not_those_this_station_remembers_counts_no_more(
    made: Made, harm: Callable[[Made], None], kind: str
) -> None:
    with open_ledger() as ledger:
        learn(made, ledger)
        assert look(made, ledger).findings == []
        harm(made)
        result = look(made, ledger)
        assert a001(result) == [("records broken", False), ("proven", True), ("proven", True)]
        assert said(result) == {("error", kind, "A001")}
        # read again in full, it counts, and what was lost is said all the same, each time
        assert a001(look(made, ledger, reread=True))[0] == ("reread", True)
        for _ in range(2):
            result = look(made, ledger)
            assert a001(result)[0] == ("proven", True)
            assert (result.verdict, said(result)) == ("not complete", {("error", kind, "A001")})


def test_a_copy_whose_offload_record_is_not_the_one_a_permit_counted_counts_no_more(made: Made) -> None:
    roll = ROLLS[0]
    content = roll.files()
    shutil.rmtree(made.at("MAIN_1", roll))
    made.copy("MAIN_1", roll, {**content, CLIP: content[CLIP][::-1]})
    result = look(made)
    assert a001(result) == [("records broken", False), ("proven", True), ("proven", True)]
    assert {("error", "copies-disagree", "A001"), ("error", "chain-broken", "A001")} <= said(result)


@pytest.mark.parametrize("gone", [False, True])
def test_a_bad_word_that_only_this_station_remembers_stands_until_the_copy_is_read_again(
    made: Made, *, gone: bool
) -> None:
    with open_ledger() as ledger:
        learn(made, ledger)
        (known,) = [
            copy
            for copy in ledger.copies_on(DriveIdentity.of(made.now.volume("MAIN_1")))
            if copy.folder.endswith(b"A001")
        ]
        if gone:
            ledger.remember_gone(known.id, clock.now())
        else:  # as after a verify of a drive that nothing can be written on
            ledger.remember_verify(known.id, state="failed", readback=None, at=clock.now(), why="a clip differed")
        result = look(made, ledger)
        assert a001(result)[0] == ("copied" if gone else "damaged", False)
        assert said(result) == {("error", "not-proven" if gone else "differs", "A001")}
        result = look(made, ledger, reread=True)
        assert (result.verdict, a001(result)[0]) == ("complete", ("reread", True))
        assert look(made, ledger).findings == []


def test_two_roll_folders_that_were_swapped_are_named_with_what_lies_there(made: Made) -> None:
    one, other = made.at("MAIN_1", "A001"), made.at("MAIN_1", "A002")
    one.rename(one.with_name("x"))
    other.rename(one)
    one.with_name("x").rename(other)
    with open_ledger() as ledger:
        result = look(made, ledger)
    assert said(result) == {("error", "copy-missing", "A001"), ("error", "copy-missing", "A002")}
    detail = next(finding.detail for finding in result.findings if finding.roll == "A001")
    assert "roll A002 lies there" in detail
    assert detail.endswith("the roll lies in The Bell Foundry/2026-05-03/A002")


def test_papers_of_two_rolls_that_were_swapped_are_not_blamed_on_the_other_drives(made: Made) -> None:
    one, other = made.at("MAIN_1", "A001") / "ascmhl", made.at("MAIN_1", "A002") / "ascmhl"
    one.rename(one.with_name("x"))
    other.rename(one)
    one.with_name("x").rename(other)
    found = [finding for finding in look(made).findings if finding.kind == "not-in-every-copy"]
    assert {finding.roll for finding in found} == {"A001", "A002"}
    for finding in found:
        assert "is in a copy on MAIN_1, and the copies on MAIN_2 and SHUTTLE know nothing of it" in finding.detail


@pytest.mark.parametrize("in_roll", [True, False])
def test_footage_in_a_system_s_trash_is_a_warning(made: Made, *, in_roll: bool) -> None:
    top = made.at("MAIN_1", "A001") if in_roll else made.top / "MAIN_1"
    trash = top / ".Trashes" / "501"
    trash.mkdir(parents=True)
    (trash / "index.db").write_bytes(bytes(2 << 20))
    assert look(made).findings == [], "a system keeps large files of its own there"
    (trash / "A001C009.mov").write_bytes(b"x")
    result = look(made)
    assert said(result) == {("warning", "hidden-media", "A001" if in_roll else "")}
    assert ".Trashes/501/A001C009.mov" in result.findings[0].detail


def test_footage_under_a_pattern_of_somebody_s_history_is_a_warning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("audit.production._PATTERNS", ("*C009.mov",))
    made = Made(tmp_path / "drives", station_signer())
    made.top.mkdir()
    made.copy_elsewhere(ROLLS[0])
    (made.at("ARCHIVE", "A001") / "CLIP/A001C009.mov").write_bytes(b"x")
    request = AuditRequest((os.fsencode(made.top / "ARCHIVE"),))
    result = audit(
        request, Context.of(emit=lambda event: None, cancel=Cancel(), drives=InventedDrives(made.top), settings=SMALL)
    )
    (hidden,) = [finding for finding in result.findings if finding.kind == "hidden-media"]
    assert "CLIP/A001C009.mov lies under an ignore pattern" in hidden.detail


def test_an_unfinished_file_in_a_finished_copy_is_a_warning(made: Made) -> None:
    (made.at("MAIN_1", "A001") / f"{CLIP}.rollproof-partial").write_bytes(b"x")
    assert said(look(made)) == {("warning", "unknown-file", "A001")}


def test_a_copy_that_lost_its_history_of_the_open_standard_is_a_warning(made: Made) -> None:
    shutil.rmtree(made.at("MAIN_1", "A001") / "ascmhl")
    assert said(look(made)) == {("warning", "manifest-missing", "A001")}


def test_a_roll_that_lies_twice_on_a_drive_is_a_note(made: Made) -> None:
    shutil.copytree(made.at("MAIN_1", "A001"), made.top / "MAIN_1" / "by hand" / "A001")
    result = look(made)
    assert said(result) == {("note", "same-device", "A001")}
    assert result.verdict == "complete"


def test_a_link_is_named(made: Made) -> None:
    clip = made.at("MAIN_1", "A001") / CLIP
    clip.unlink()
    clip.symlink_to(made.at("MAIN_2", "A001") / CLIP)
    (link,) = [finding for finding in look(made).findings if finding.kind == "link"]
    assert link.detail.startswith(f"{CLIP}: a link")
