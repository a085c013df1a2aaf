"""Keep or free: the table of `proof.cards`, a line each."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from rollproof.proof.cards import CardHistory, judge_card

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
LATER, EARLIER = NOON + timedelta(hours=1), NOON - timedelta(hours=1)
FREE = CardHistory(has_identity=True, ours=True, offloaded_at=NOON, permitted_at=LATER, enough_copies=True)


@pytest.mark.parametrize(
    ("card", "state", "since"),
    [
        (FREE, "free", LATER),
        (replace(FREE, permitted_at=NOON), "free", NOON),  # within one second, the offload came first
        (replace(FREE, ours=False), "free", LATER),  # the permit is this station's own
        (replace(FREE, has_identity=False), "unknown", NOON),
        (replace(FREE, ours=False, permitted_at=None), "unknown", NOON),
        (replace(FREE, permitted_at=None), "keep", NOON),
        (replace(FREE, permitted_at=EARLIER), "keep", NOON),
        (replace(FREE, enough_copies=False), "keep", LATER),
        (replace(FREE, enough_copies=False, permitted_at=EARLIER), "keep", NOON),
    ],
)
def test_the_first_line_that_applies_decides(card: CardHistory, state: str, since: datetime) -> None:
    found = judge_card(card)
    assert (found.state, found.since) == (state, since)
    assert found.why
