"""When this computer's clock is not believed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from rollproof.proof.clock import ClockFacts, later_than_now

NOW = datetime(2026, 5, 14, 8, 0, tzinfo=UTC)


def at(minutes: float) -> datetime:
    """So many minutes from now."""
    return NOW + timedelta(minutes=minutes)


CASES: list[tuple[str, ClockFacts, datetime | None]] = [
    ("nothing is known", ClockFacts(), None),
    ("all is earlier", ClockFacts(at(-1), at(-5)), None),
    ("two stations' clocks differ a little", ClockFacts(at(2), at(2)), None),
    ("it was later already", ClockFacts(at(3), at(-5)), at(3)),
    ("a record is of later", ClockFacts(at(-1), at(600)), at(600)),
    ("the later of both is told", ClockFacts(at(3), at(600)), at(600)),
    ("a person confirmed it in spite of that", ClockFacts(at(-1), at(600), at(600)), None),
    ("… and a later one was recorded since", ClockFacts(at(-1), at(700), at(600)), at(700)),
    ("… and the clock was put back since", ClockFacts(at(30), at(600), at(600)), at(30)),
]


@pytest.mark.parametrize(("facts", "later"), [row[1:] for row in CASES], ids=[row[0] for row in CASES])
def test_the_clock_runs_behind(facts: ClockFacts, later: datetime | None) -> None:
    assert later_than_now(facts, NOW) == later
