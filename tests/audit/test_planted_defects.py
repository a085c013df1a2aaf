"""The post supervisor's question, asked of a whole production: is everything there, untouched, twice?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from audit.defects import DEFECTS, Bench, Defect
from audit.production import DRIVES, Made, any_kind, schedule
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.models.audit_results import AuditResult
from rollproof.models.errors import ExitStatus
from rollproof.models.requests import AuditRequest, Cancel
from rollproof.records.station_key import key_signer
from rollproof.station.context import Context
from rollproof.station.keys import station_signer
from rollproof.workflows.audit import audit


@dataclass(frozen=True)
class Audited:
    """The production and what the audits said, before and after the defects were planted."""

    made: Made
    clean: AuditResult
    planted: AuditResult


@pytest.fixture(scope="module")
def audited(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Audited]:
    """Made once; one audit of the clean production, and one with all defects in it."""
    with pytest.MonkeyPatch.context() as patch:
        home = tmp_path_factory.mktemp("station")
        patch.setenv("ROLLPROOF_HOME", str(home))
        made = Made(tmp_path_factory.mktemp("drives"), station_signer())
        made.build(schedule())
        with open_ledger() as ledger:
            clean = look(made, ledger)
            bench = Bench(made, ledger, key_signer(tmp_path_factory.mktemp("another"), host="another"))
            for defect in DEFECTS:
                defect.plant(bench)
            yield Audited(made, clean, look(made, ledger))


def look(made: Made, ledger: Ledger) -> AuditResult:
    """An audit of all six drives by records and listings."""
    return audit(
        AuditRequest(made.paths), Context.of(emit=lambda event: None, cancel=Cancel(), drives=made.now, ledger=ledger)
    )


def test_a_production_with_nothing_wrong_is_complete_and_nothing_is_said_of_it(audited: Audited) -> None:
    clean = audited.clean
    assert (clean.verdict, clean.status) == ("complete", ExitStatus.DONE)
    assert clean.findings == []
    assert len(clean.rolls) == 150
    assert {roll.unit for roll in clean.rolls} == {"main", "second", "aerial"}
    assert len({roll.day for roll in clean.rolls}) == 12
    assert [drive.name for drive in clean.drives] == list(DRIVES)
    assert all(roll.copies_counted == 3 and roll.permit for roll in clean.rolls)


def test_a_copy_made_by_another_tool_is_in_the_matrix_and_is_not_called_proven(audited: Audited) -> None:
    archive = [copy for roll in audited.clean.rolls for copy in roll.copies if copy.drive == DRIVES.index("ARCHIVE")]
    assert len(archive) == 18
    assert {(copy.state, copy.counted) for copy in archive} == {("copied", False)}


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name.replace(" ", "-"))
def test_each_planted_defect_is_found_and_named(audited: Audited, defect: Defect) -> None:
    found = [finding for finding in audited.planted.findings if (finding.kind, finding.roll) in defect.expected]
    assert {(finding.kind, finding.roll) for finding in found} == defect.expected
    assert any(all(word in finding.detail for word in defect.words) for finding in found), found


def test_nothing_is_reported_but_what_was_planted(audited: Audited) -> None:
    wanted = {pair for defect in DEFECTS for pair in defect.expected}
    assert any_kind(audited.planted) - wanted == set(), [
        finding for finding in audited.planted.findings if (finding.kind, finding.roll) not in wanted
    ]
    assert len(DEFECTS) >= 25
    assert (audited.planted.verdict, audited.planted.status) == ("not complete", ExitStatus.ANSWER_IS_NO)
