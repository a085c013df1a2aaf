"""Offloads that were begun: which of them are not finished, and whether their card is all there is.

One copy of a roll on one drive. The first line that applies wins:

| what is known                                                            | state        |
|--------------------------------------------------------------------------|--------------|
| the run that makes it is still at work                                   | `at work`    |
| the card was offloaded later, and its roll has the copies that it needs  | `left over`  |
| anything else                                                            | `unfinished` |

A copy that came to its end is not asked about: the run that finishes it takes its entry away.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

BegunState = Literal["at work", "unfinished", "left over"]


@dataclass(frozen=True, slots=True)
class BegunFacts:
    """What is known of a copy that was begun. `running` is whether its run still is, `last_at` when that run was last
    heard of, `enough_at` the newest offload of the same card whose roll has the copies that it needs, None where there
    is none."""

    running: bool
    last_at: datetime
    enough_at: datetime | None = None


def judge_begun(facts: BegunFacts) -> BegunState:
    """The first line of the table above that applies."""
    if facts.running:
        return "at work"
    if facts.enough_at is not None and facts.enough_at > facts.last_at:
        return "left over"
    return "unfinished"


def needs_card(facts: BegunFacts) -> bool:
    """Whether the card may be all there is: no offload of it, earlier or later, gave its roll the copies it needs."""
    return facts.enough_at is None


def worst(states: Iterable[BegunState]) -> BegunState:
    """One word for the copies of one run: what a person has to act on comes first."""
    found = set(states)
    order: tuple[BegunState, ...] = ("at work", "unfinished", "left over")
    return next((state for state in order if state in found), "left over")
