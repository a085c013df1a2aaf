"""Which offloads that were begun are not finished: a table of cases."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from rollproof.proof.begun import BegunFacts, BegunState, judge_begun, needs_card, worst

NOON = datetime(2026, 5, 14, 12, tzinfo=UTC)
LATER, EARLIER = NOON + timedelta(hours=1), NOON - timedelta(hours=1)

CASES: list[tuple[str, BegunFacts, BegunState, bool]] = [
    ("killed, and nothing since", BegunFacts(False, NOON), "unfinished", True),
    ("still at work", BegunFacts(True, NOON), "at work", True),
    ("still at work on a third copy", BegunFacts(True, NOON, EARLIER), "at work", False),
    ("a third copy, its roll had enough before", BegunFacts(False, NOON, EARLIER), "unfinished", False),
    ("its own run gave the other drives their copies", BegunFacts(False, NOON, NOON), "unfinished", False),
    ("offloaded elsewhere since", BegunFacts(False, NOON, LATER), "left over", False),
]  # fmt: skip


@pytest.mark.parametrize(("facts", "state", "needed"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_what_is_said_of_a_copy_that_was_begun(facts: BegunFacts, state: BegunState, needed: bool) -> None:
    assert judge_begun(facts) == state
    assert needs_card(facts) is needed


def test_a_run_is_told_by_what_a_person_has_to_act_on() -> None:
    assert worst(["left over", "unfinished"]) == "unfinished"
    assert worst(["left over", "unfinished", "at work"]) == "at work"
    assert worst(["left over"]) == "left over"
