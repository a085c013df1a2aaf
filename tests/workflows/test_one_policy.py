"""Today's policy on evidence applies whichever command is asked, and comes from the production, not from the card."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from rollproof.models.errors import ProductionFileProblem
from rollproof.models.requests import (
    AuditRequest,
    Cancel,
    HandoverRequest,
    MayWipeRequest,
    ReportRequest,
    VerifyRequest,
)
from rollproof.models.results import MayWipeResult
from rollproof.models.volumes import MediumWay
from rollproof.station.context import Context
from rollproof.workflows.audit import audit
from rollproof.workflows.custody.handover import handover
from rollproof.workflows.may_wipe import may_wipe
from rollproof.workflows.report import report
from rollproof.workflows.verify import verify
from support.shelf import Thing
from workflows.station import SMALL
from workflows.test_may_wipe_alone import KEEP, WIPE, Table

NAME = "The Bell Foundry"


class Foundry(Table):
    """Copies on two servers, offloaded while a server's word was enough."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        for drive in (self.one, self.two):
            drive.way = MediumWay.SERVER
        self.rules('["medium", "server"]')
        assert self.offload().rolls[0].copies_counted == 2

    def rules(self, accepted: str, *, at: Path | None = None, copies: int = 2) -> Path:
        """The production file from now on."""
        path = (at or self.folder) / "production.toml"
        path.write_text(
            f'name = "{NAME}"\nfolder = "{{roll}}"\ncopies_required = {copies}\naccepted_evidence = {accepted}\n'
        )
        return path

    def paths(self) -> tuple[bytes, ...]:
        return tuple(os.fsencode(drive.top) for drive in (self.one, self.two))


@pytest.fixture
def table(tmp_path: Path) -> Foundry:
    return Foundry(tmp_path)


def nothing(_event: object) -> None:
    """Nobody watches."""


def audited(table: Foundry) -> object:
    asked = AuditRequest(table.paths(), working_folder=os.fsencode(table.folder))
    result = audit(asked, Context.of(emit=nothing, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL))
    return result.rolls[0].copies_counted


def read_again(table: Foundry) -> object:
    asked = AuditRequest(table.paths(), reread=True, working_folder=os.fsencode(table.folder))
    result = audit(asked, Context.of(emit=nothing, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL))
    return result.rolls[0].copies_counted


def verified(table: Foundry) -> object:
    asked = VerifyRequest(table.paths(), working_folder=os.fsencode(table.folder))
    result = verify(asked, Context.of(emit=nothing, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL))
    return sum(copy.verdict == "proven" for copy in result.copies)


def _reported(table: Foundry, paths: tuple[bytes, ...]) -> object:
    asked = ReportRequest(
        paths, whole=True, out=os.fsencode(table.folder / f"out{len(paths)}"), posters=False,
        working_folder=os.fsencode(table.folder),
    )  # fmt: skip
    made = json.loads(Path(report(asked, Context.of(io=table.io, drives=table.desk)).files["json"]).read_text())
    return made["rolls"][0]["devices_proven"]


def reported(table: Foundry) -> object:
    return _reported(table, table.paths())


def reported_from_memory(table: Foundry) -> object:
    return _reported(table, ())


def handed_over(table: Foundry) -> object:
    result = [
        handover(
            HandoverRequest(path, "post house", working_folder=os.fsencode(table.folder)),
            Context.of(emit=nothing, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL),
        )
        for path in table.paths()
    ]
    return sum(each.verdict == "proven" for each in result)


def asked(table: Foundry) -> object:
    result = table.ask(reread=True)
    return result.rolls[0].copies_counted


COMMANDS = (audited, read_again, verified, reported, reported_from_memory, handed_over, asked)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.__name__)
def test_evidence_that_is_not_accepted_any_more_counts_in_no_command(table: Foundry, command: object) -> None:
    assert callable(command)
    assert command(table) == 2
    table.rules('["medium"]')
    for out in table.folder.glob("out*"):
        out.rename(out.with_name("before " + out.name))
    assert command(table) == 0


@pytest.mark.parametrize("command", (audited, reported, verified), ids=lambda command: command.__name__)
def test_another_productions_rules_are_not_for_these_copies(table: Foundry, command: object) -> None:
    assert callable(command)
    path = table.rules('["medium"]')
    path.write_text(path.read_text().replace(NAME, "Another Film"))
    if command is reported:
        return  # (it is about the production whose file it finds)
    assert command(table) == 2


# --- where the rules come from


@pytest.fixture
def plain(tmp_path: Path) -> Table:
    made = Table(tmp_path)
    made.offload()
    return made


def ask(table: Table, *, at: Path, named: Path | None = None) -> MayWipeResult:
    request = MayWipeRequest(
        os.fsencode(table.card.top),
        working_folder=os.fsencode(at),
        production_file=os.fsencode(named) if named is not None else None,
    )
    return may_wipe(request, Context.of(emit=nothing, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL))


def lenient(thing: Thing) -> Path:
    path = thing.top / "production.toml"
    path.write_text(f'name = "{NAME}"\nfolder = "{{roll}}"\ncopies_required = 1\n')
    return path


def test_a_production_file_on_the_card_never_says_how_the_card_is_judged(plain: Table) -> None:
    lenient(plain.card)
    plain.offload(roll="A003-2")
    plain.desk.unplug(plain.two)
    plain.rebuild(plain.one)
    result = ask(plain, at=plain.card.top)
    assert (result.answer, result.rules_from) == (KEEP, "the rules that are built in")
    assert any("lies on the card" in found.detail for found in result.findings)
    with pytest.raises(ProductionFileProblem, match="lies on the card itself"):
        ask(plain, at=plain.folder, named=plain.card.top / "production.toml")


def test_a_production_file_on_a_drive_that_is_judged_rules_only_when_it_is_named(plain: Table) -> None:
    path = lenient(plain.one)
    result = ask(plain, at=plain.one.top)
    assert result.answer == KEEP
    assert any(found.kind == "other-production" and "--production" in found.remedy for found in result.findings)
    named = ask(plain, at=plain.one.top, named=path)
    assert (named.answer, named.rules_from) == (WIPE, str(path))


def test_the_answer_names_the_file_that_ruled(plain: Table) -> None:
    plain.policy(2)
    result = ask(plain, at=plain.folder)
    assert (result.answer, result.rules_from) == (WIPE, str(plain.folder / "production.toml"))
    assert result.as_json()["rules_from"] == result.rules_from


def test_verify_does_not_take_its_rules_from_the_drive_it_reads(table: Foundry) -> None:
    table.rules('["medium"]', at=table.one.top)
    request = VerifyRequest(table.paths(), working_folder=os.fsencode(table.one.top))
    result = verify(request, Context.of(emit=nothing, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL))
    assert result.verdict == "proven"
    assert any("is not used" in found.detail for found in result.findings)
