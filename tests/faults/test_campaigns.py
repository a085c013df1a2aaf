"""A short piece of every campaign of `make campaign`, judged by the campaign's own rules.

Kills, power cuts and flips by the hundred stand in the tests beside this one; what is added here are drives of two file
systems at once, cuts and kills of runs that resume, flips that `may-wipe --reread-copies` must find, and the proof that
the long campaigns still run.
"""

from __future__ import annotations

import pytest

from campaigns.run import CAMPAIGNS, run

pytestmark = pytest.mark.device

SCALES = {
    "kill-offloads": 0.008,
    "kill-verifies": 0.005,
    "kill-commands": 0.01,
    "cut-again-and-again": 0.02,
    "flip-read-back": 0.01,
    "flip-verify": 0.01,
    "flip-may-wipe": 0.05,
}
"""Fifty flips for may-wipe, which no other test attacks so; the two that go through all calls have no part,
and the stories have a test of their own."""

FAULTS_BEGIN = ("SIGKILL", "power cut", "bit flipped")


@pytest.mark.parametrize("name", SCALES)
def test_a_piece_of_each_campaign_finds_nothing_wrong(name: str) -> None:
    figures = run(name, 7, SCALES[name], lambda text: None)
    assert not figures.wrong, "\n".join(figures.wrong[:30])
    assert sum(count for kind, count in figures.counts.items() if kind.startswith(FAULTS_BEGIN)) > 0


def test_every_campaign_is_known_to_the_suite_or_goes_through_all_calls() -> None:
    assert SCALES.keys() | {"cut-after-syncs", "cut-after-changes", "wipe-stories"} == CAMPAIGNS.keys()
