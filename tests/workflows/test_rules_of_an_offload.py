"""The rules of an offload come from the production: never from the card, from a drive only when its file is named."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from rollproof.models.errors import ExitStatus, UsageProblem
from rollproof.models.requests import AuditRequest, Cancel, OffloadRequest
from rollproof.models.results import OffloadResult
from rollproof.station.context import Context
from rollproof.workflows.audit import audit
from rollproof.workflows.offload import offload
from support.shelf import Thing
from workflows.station import SMALL
from workflows.test_may_wipe_alone import Table

LENIENT = 'name = "The Bell Foundry"\nfolder = "{roll}"\ncopies_required = 1\n'


@pytest.fixture
def table(tmp_path: Path) -> Table:
    return Table(tmp_path)


def lenient(thing: Thing, more: str = "") -> Path:
    path = thing.top / "production.toml"
    path.write_text(LENIENT + more)
    return path


def run(
    table: Table, *to: Thing, at: Path, named: Path | None = None, source: Path | None = None, roll: str | None = "A003"
) -> OffloadResult:
    request = OffloadRequest(
        cards=(os.fsencode(source or table.card.top),),
        destinations=tuple(os.fsencode(drive.top) for drive in to),
        roll=roll,
        working_folder=os.fsencode(at),
        production_file=os.fsencode(named) if named is not None else None,
    )
    return offload(
        request,
        Context.of(emit=lambda event: None, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL),
    )


def told(result: OffloadResult) -> str:
    return "; ".join(found.detail for roll in result.rolls for found in roll.findings)


def test_a_production_file_on_the_card_does_not_rule_its_offload(table: Table) -> None:
    lenient(table.card)
    result = run(table, table.one, at=table.card.top)
    roll = result.rolls[0]
    assert (roll.copies_required, roll.enough_copies) == (2, False)
    assert "lies on the card that is offloaded: it is not used" in told(result)


def test_a_card_whose_own_production_file_is_named_is_refused(table: Table) -> None:
    result = run(table, table.one, at=table.folder, named=lenient(table.card))
    assert result.rolls[0].status is ExitStatus.REFUSED
    assert "a card never says how it is offloaded" in told(result)
    assert not list(table.one.top.iterdir())


def test_a_production_file_on_a_destination_rules_only_when_it_is_named(table: Table) -> None:
    path = lenient(table.one)
    result = run(table, table.one, at=table.one.top)
    assert result.rolls[0].copies_required == 2
    assert "lies on a drive that is copied to: it is not used" in told(result)
    named = run(table, table.one, at=table.one.top, named=path, roll="A004")
    assert named.rolls[0].copies_required == 1


def test_a_production_file_on_a_drive_that_it_names_itself_rules_only_when_it_is_named(table: Table) -> None:
    path = lenient(table.one, f'[[drives]]\nrole = "primary"\npath = "{table.one.top}"\n')
    with pytest.raises(UsageProblem, match=r"nothing says where to copy to: .* is not used"):
        run(table, at=table.one.top)
    assert run(table, at=table.one.top, named=path).rolls[0].copies_required == 1


def test_one_beside_a_recorded_copy_that_is_passed_on_rules_only_when_it_is_named(table: Table) -> None:
    assert table.offload().verdict == "proven"
    path = lenient(table.one)
    copied = run(table, table.three, at=table.one.top, source=table.one.top / "A003", roll=None)
    assert copied.rolls[0].copies_required == 2
    named = run(table, table.four, at=table.one.top, source=table.one.top / "A003", roll=None, named=path)
    assert named.rolls[0].copies_required == 1


def test_one_in_the_working_folder_rules(table: Table) -> None:
    table.policy(1)
    assert run(table, table.one, at=table.folder).rolls[0].copies_required == 1


def test_a_number_that_came_in_by_an_earlier_offload_is_named_with_its_source(table: Table) -> None:
    table.policy(3)
    table.offload()
    table.policy(2)
    again = table.offload()
    for reason in (table.ask().reasons[0], again.rolls[0].card.reasons[0]):  # type: ignore[union-attr]
        assert "2 proven copies count, 3 are required, as the offload of 20" in reason
    assert table.ask().rolls[0].required_by.startswith("the offload of 20")
    request = AuditRequest(
        (os.fsencode(table.one.top), os.fsencode(table.two.top)), working_folder=os.fsencode(table.folder)
    )
    result = audit(
        request, Context.of(emit=lambda event: None, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL)
    )
    assert any("3 are required, as the record on " in found.detail for found in result.findings)
    table.policy(3)
    assert "2 proven copies count, 3 are required — " in table.ask().reasons[0]


def test_such_a_number_is_lowered_to_todays_only_by_name_and_reason_and_that_is_recorded(table: Table) -> None:
    table.policy(3)
    table.offload()
    table.policy(2)
    kept = table.ask()
    assert kept.answer == "KEEP"
    assert any("--accept fewer-copies" in found.remedy for found in kept.findings)
    given: dict[str, Any] = {"accepted": ("fewer-copies",), "reason": "two since the new contract"}
    lowered = table.ask(**given)
    assert lowered.answer == "MAY WIPE", lowered.reasons
    for drive in (table.one, table.two):
        permit = max((table.roll(drive) / "rollproof").glob("*permit*.json")).read_text()
        assert "fewer-copies" in permit
        assert "two since the new contract" in permit
        assert "the camera assistant" in permit
    assert table.ask().answer == "KEEP"  # a permit is no evidence
    table.desk.unplug(table.two)
    assert table.ask(hours=25, **given).answer == "KEEP"  # never below today's number
    table.desk.plug_in(table.two, "backup")
    table.policy(3)
    assert table.ask(**given).answer == "KEEP"
