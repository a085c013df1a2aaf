"""Can this computer's clock be believed? Where it runs behind what is recorded, no age of anything can be told.

| the clock shows a moment before …                                            | it         |
|------------------------------------------------------------------------------|------------|
| the latest moment it showed to this station, since a person last confirmed it | runs behind |
| a moment in a record, a permit or the ledger                                  | runs behind |
| … which was recorded already when a person confirmed the clock                | is believed |
| anything by no more than two minutes (the clocks of two stations differ)      | is believed |
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

SLACK = timedelta(minutes=2)


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """`shown` is the latest moment this station's clock showed since it was last confirmed, `recorded` the latest one
    in any record, permit or note; up to `excused` a person confirmed the clock in spite of what is recorded."""

    shown: datetime | None = None
    recorded: datetime | None = None
    excused: datetime | None = None


def later_than_now(facts: ClockFacts, now: datetime) -> datetime | None:
    """The moment that the clock is behind; None where the clock can be believed."""
    behind = [moment for moment in (facts.shown,) if moment is not None and moment > now + SLACK]
    recorded = facts.recorded
    if recorded is not None and recorded > now + SLACK and (facts.excused is None or recorded > facts.excused):
        behind.append(recorded)
    return max(behind, default=None)
