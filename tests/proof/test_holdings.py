"""Which drive lacks which roll: a table of cases."""

from __future__ import annotations

import pytest

from rollproof.models.findings import Severity
from rollproof.proof.holdings import DriveFacts, Lack, RollFacts, lacking, weight

ERROR, WARNING, NOTE = Severity.ERROR, Severity.WARNING, Severity.NOTE


@pytest.mark.parametrize(
    ("drive", "severity"),
    [
        (DriveFacts(0, units=frozenset({""})), NOTE),
        (DriveFacts(0, named=True), WARNING),
        (DriveFacts(0, named=True, said="all"), ERROR),
        (DriveFacts(0, named=True, said="any"), None),
        (DriveFacts(0, named=True, takes_turns=True), None),
        (DriveFacts(0, named=True, said="all", takes_turns=True), ERROR),
        (DriveFacts(0, named=True, said="any", takes_turns=True), None),
    ],
)
def test_what_the_production_file_says_decides_how_bad_it_is(drive: DriveFacts, severity: Severity | None) -> None:
    assert weight(drive) == severity
    expected = [] if severity is None else [Lack(0, (7,), severity)]
    assert lacking([drive], [RollFacts(7, frozenset({1, 2, 3}))]) == expected


def test_each_drive_is_told_the_rolls_that_do_not_lie_on_it_in_their_order() -> None:
    drives = [DriveFacts(0, named=True), DriveFacts(1, named=True), DriveFacts(2, units=frozenset({""}))]
    rolls = [RollFacts(5, frozenset({0})), RollFacts(4, frozenset({0, 1})), RollFacts(3, frozenset({0}))]
    assert lacking(drives, rolls) == [Lack(1, (5, 3), WARNING), Lack(2, (5, 4, 3), NOTE)]


def test_a_drive_with_every_roll_and_a_production_without_rolls_are_nothing() -> None:
    assert lacking([DriveFacts(0, named=True, said="all")], [RollFacts(1, frozenset({0}))]) == []
    assert lacking([DriveFacts(0, named=True, said="all")], []) == []


def test_a_drive_that_no_file_names_lacks_only_rolls_of_the_units_it_holds_rolls_of() -> None:
    rolls = [RollFacts(1, frozenset(), "main"), RollFacts(2, frozenset(), "second"), RollFacts(3, frozenset(), "")]
    assert lacking([DriveFacts(0)], rolls) == []
    assert lacking([DriveFacts(0, units=frozenset({"second"}))], rolls) == [Lack(0, (2,), NOTE)]
    assert lacking([DriveFacts(0, named=True, units=frozenset({"second"}))], rolls) == [Lack(0, (1, 2, 3), WARNING)]
