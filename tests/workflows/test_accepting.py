"""What was wrong with a card is not forgotten when the offload is over: audits name it until a person accepts it."""

from __future__ import annotations

import json
import os
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest

from audit.production import Made, ToShoot
from rollproof.models.audit_results import AuditResult
from rollproof.models.custody_results import HandoverResult, ReceiveResult
from rollproof.models.errors import ExitStatus
from rollproof.models.requests import AuditRequest, Cancel, HandoverRequest, Person, ReceiveRequest
from rollproof.station.context import Context
from rollproof.station.keys import station_signer
from rollproof.workflows.audit import audit
from rollproof.workflows.custody import custody
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.custody.receive import receive
from workflows.station import SMALL, tree

DAMAGED = ToShoot("A001", 1, "main", damaged=(2,))
GAP = ToShoot("A002", 1, "main", clips=4, lacking=(2, 3))
AGAIN = ToShoot("A003", 1, "main", stem="A001", content="shot anew")
FINE = ToShoot("A004", 1, "main")
MAIN = ("MAIN_1", "MAIN_2", "SHUTTLE")
KINDS = ("damaged-clip", "clip-numbers-gap", "clip-name-twice")
SHE = Person("the camera assistant", "camera assistant")
EVERYTHING = {("damaged-clip", "A001C002"), ("clip-numbers-gap", "A002C002"), ("clip-numbers-gap", "A002C003"),
              ("clip-name-twice", "A001C001"), ("clip-name-twice", "A001C002")}  # fmt: skip


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Four rolls on three drives, each of the first three with something that a person has to know."""
    production = Made(tmp_path / "drives", station_signer())
    production.top.mkdir()
    production.build((DAMAGED, GAP, AGAIN, FINE))
    shutil.rmtree(production.top / "ARCHIVE")
    return production


def look(made: Made, *accepted: str, drives: Any = None, **given: Any) -> AuditResult:
    """An audit of all drives."""
    given = {"person": SHE, "reason": "the camera report says so", **given}
    request = AuditRequest(tuple(os.fsencode(made.top / name) for name in MAIN), accepted=accepted, **given)
    return audit(
        request, Context.of(emit=lambda event: None, cancel=Cancel(), drives=drives or made.now, settings=SMALL)
    )


def errors(result: AuditResult) -> set[tuple[str, str]]:
    """Kind and path of every error."""
    return {(found.kind, found.path) for found in result.findings if found.severity == "error"}


def accept_records(made: Made) -> list[Path]:
    """Every record of what was accepted."""
    return sorted(made.top.rglob("*_accept_*.json"))


def test_what_was_wrong_with_a_card_is_found_by_every_audit_after_it(made: Made) -> None:
    result = look(made)
    assert errors(result) == EVERYTHING
    assert (result.verdict, result.status) == ("not complete", ExitStatus.ANSWER_IS_NO)
    assert {roll.state for roll in result.rolls} == {"proven"}  # the copies are as good as the cards
    assert accept_records(made) == []


def test_what_is_accepted_is_a_record_on_every_copy_and_a_note_from_then_on(made: Made) -> None:
    result = look(made, "A001/A001C002", "A002C002", "A002C003", "A001C001")
    assert errors(result) == {("clip-name-twice", "A001C002")}
    written = accept_records(made)
    assert [path.parent.parent.name for path in written].count("A001") == 3
    assert {path.parent.parent.name for path in written} == {"A001", "A002", "A003"}
    (record,) = [json.loads(path.read_text()) for path in written if "MAIN_1" in path.parts and "A002" in path.parts]
    assert record["by"]["name"] == SHE.name and record["reason"] == "the camera report says so"
    assert [each["name"] for each in record["accepted"]] == ["A002C002", "A002C003"]
    again = look(made)
    assert errors(again) == {("clip-name-twice", "A001C002")}
    notes = [found.detail for found in again.findings if found.kind == "accepted"]
    assert len(notes) == 4 and all(SHE.name in note and "the camera report says so" in note for note in notes)
    assert custody(os.fsencode(made.top / "MAIN_1"), Context.of(drives=made.now)).verdict == "whole"


def test_everything_accepted_is_complete(made: Made) -> None:
    names = ("A001/A001C002", "A002C002", "A002C003", "A001C001", "A001C002")
    assert look(made, *names).verdict == "complete"
    assert look(made).status is ExitStatus.DONE
    assert look(made, reread=True).status is ExitStatus.DONE


def test_a_name_that_several_findings_have_accepts_none_and_lists_them(made: Made) -> None:
    other = ToShoot("A005", 1, "main", damaged=(1,), stem="A001", content="once more")
    made.offload(other)
    result = look(made, "A002")
    assert ("clip-numbers-gap", "A002C002") in errors(result)  # the roll's name is not the name of a finding
    assert accept_records(made) == []
    (told,) = [found.detail for found in result.findings if found.kind == "accepted"]
    assert "nothing that can be accepted is called A002" in told


def test_the_next_step_works_when_it_is_pasted(made: Made) -> None:
    for _ in range(len(EVERYTHING)):
        found = next(found for found in look(made, person=Person()).findings if found.severity == "error")
        words = shlex.split(found.remedy[found.remedy.index("rollproof audit") :])
        given = dict(zip(words[5::2], words[6::2], strict=True))
        assert given.keys() == {"--accept", "--reason", "--by"}
        look(made, given["--accept"], reason=given["--reason"], person=Person(given["--by"]))
    assert look(made).verdict == "complete"


def test_what_differs_or_is_missing_cannot_be_accepted(made: Made) -> None:
    (made.at("MAIN_2", FINE) / "CLIP/A004C001.mov").unlink()
    names = ("A001/A001C002", "A002C002", "A002C003", "A001C001", "A001C002")
    result = look(made, *names, "CLIP/A004C001.mov", "A004", "A004C001")
    assert errors(result) == {("missing", "CLIP/A004C001.mov")}
    assert not any("A004" in path.parts for path in accept_records(made))


def test_nobody_accepts_without_a_name(made: Made) -> None:
    result = look(made, "A001/A001C002", person=Person())
    assert errors(result) == EVERYTHING and accept_records(made) == []
    (told,) = [found for found in result.findings if found.kind == "accepted"]
    assert "not accepted" in told.detail and "--by" in told.remedy


def test_a_drive_that_takes_nothing_is_said_and_the_others_have_the_record(made: Made) -> None:
    made.now.read_only = ("MAIN_2",)
    result = look(made, "A002C002")
    assert ("clip-numbers-gap", "A002C002") not in errors(result)
    (told,) = [found for found in result.findings if found.severity == "warning"]
    assert "could not be written" in told.detail and "MAIN_2" in told.drive
    assert len(accept_records(made)) == 2


def test_what_no_drive_takes_is_not_accepted(made: Made) -> None:
    made.now.read_only = MAIN
    before = tree(made.top, own=True)
    assert errors(look(made, "A002C002")) == EVERYTHING
    assert tree(made.top, own=True) == before


def test_a_number_that_no_roll_has_is_accepted_for_good(made: Made) -> None:
    for drive in MAIN:
        shutil.rmtree(made.at(drive, AGAIN))
    names = ("A001C002", "A002C002", "A002C003", "A003")
    assert look(made, *names).verdict == "complete"
    assert look(made).verdict == "complete"
    assert "A003" in {found.roll for found in look(made).findings if found.kind == "accepted"}


# --- when the drive changes hands


@pytest.mark.parametrize("reread", [False, True])
def test_a_handover_and_an_arrival_tell_what_nobody_has_accepted(made: Made, reread: bool) -> None:
    top = os.fsencode(made.top / "MAIN_1")
    look(made, "A001C001")

    def named(result: HandoverResult | ReceiveResult) -> set[tuple[str, str]]:
        return {(found.kind, found.path) for found in result.findings if found.kind in KINDS}

    request = HandoverRequest(top, "the editor", reread=reread, person=SHE)
    gone = handover(request, Context.of(emit=lambda event: None, cancel=Cancel(), drives=made.now, settings=SMALL))
    left = EVERYTHING - {("clip-name-twice", "A001C001")}
    assert named(gone) == left
    assert {found.severity for found in gone.findings if found.kind in KINDS} == {"warning"}
    come = receive(
        ReceiveRequest(top), Context.of(emit=lambda event: None, cancel=Cancel(), drives=made.now, settings=SMALL)
    )
    assert named(come) == left
    look(made, "A001/A001C002", "A002C002", "A002C003", "A001C002")
    gone = handover(request, Context.of(emit=lambda event: None, cancel=Cancel(), drives=made.now, settings=SMALL))
    assert named(gone) == set()
