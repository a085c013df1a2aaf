"""When a drive may be unplugged: a table, and the rule that one reason is enough to keep it."""

from __future__ import annotations

import itertools

import pytest

from rollproof.models.events import StillNeeded
from rollproof.proof.unplugging import UnpluggingFacts, still_needed

TABLE = [
    (UnpluggingFacts(), None),
    (UnpluggingFacts(gives_to_slower=True, more_rolls=True), StillNeeded.SLOWER_DRIVE),
    (UnpluggingFacts(other_destination=True, other_run=True), StillNeeded.OTHER_DESTINATION),
    (UnpluggingFacts(more_rolls=True, other_run=None), StillNeeded.MORE_ROLLS),
    (UnpluggingFacts(histories=True), StillNeeded.HISTORIES),
    (UnpluggingFacts(other_run=True), StillNeeded.OTHER_RUN),
    (UnpluggingFacts(other_run=None), StillNeeded.NOT_KNOWN),
]


@pytest.mark.parametrize(("facts", "need"), TABLE)
def test_why_a_drive_has_to_stay(facts: UnpluggingFacts, need: StillNeeded | None) -> None:
    assert still_needed(facts) is need


def test_it_may_be_unplugged_only_when_nobody_needs_it() -> None:
    for flags in itertools.product((False, True), repeat=4):
        for other in (False, True, None):
            free = still_needed(UnpluggingFacts(flags[0], flags[1], flags[2], flags[3], other)) is None
            assert free is (not any(flags) and other is False)
