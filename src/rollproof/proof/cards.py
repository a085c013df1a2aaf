"""Keep or free: what this station may say of a card it does not have before it.

Never an answer of now: only `may-wipe` with the card in hand gives that. The first line that applies wins:

| what is known                                                            | state     |
|--------------------------------------------------------------------------|-----------|
| the card has no identity that tells it from others                       | `unknown` |
| only other stations offloaded it, and this one gave no permit            | `unknown` |
| no permit was given for it                                               | `keep`    |
| it was offloaded again after the last permit                             | `keep`    |
| too few proven copies of its roll are left since the permit              | `keep`    |
| a permit was given for what was on it then                               | `free`    |
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

CardState = Literal["keep", "free", "unknown"]


@dataclass(frozen=True, slots=True)
class CardHistory:
    """What a station remembers of one card. `offloaded_at` is when its newest offload was written, `ours` whether one
    of them was by this station, `permitted_at` when the newest permit was given for it, None where none was.

    `enough_copies` is whether the roll of the newest offload still has the proven copies it needs.
    """

    has_identity: bool
    ours: bool
    offloaded_at: datetime
    permitted_at: datetime | None
    enough_copies: bool


@dataclass(frozen=True, slots=True)
class CardStanding:
    """The state, since when it holds, and why in one sentence."""

    state: CardState
    since: datetime
    why: str


def judge_card(card: CardHistory) -> CardStanding:
    """The first line of the table above that applies."""
    offloaded, permitted = card.offloaded_at, card.permitted_at
    if not card.has_identity:
        return CardStanding("unknown", offloaded, "its volume has no identity, so that it cannot be told from others")
    if permitted is None and not card.ours:
        return CardStanding("unknown", offloaded, "only known from another station's records")
    if permitted is None:
        return CardStanding("keep", offloaded, "no permit was given for it")
    if offloaded > permitted:
        return CardStanding("keep", offloaded, "offloaded again since the last permit")
    if not card.enough_copies:
        return CardStanding("keep", permitted, "a permit was given, but too few proven copies are left")
    return CardStanding("free", permitted, "a permit was given for what was on it then")
