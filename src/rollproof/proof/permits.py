"""What a permit says today. It speaks of one listing: of what was on the card when it was given.

The first line that applies wins:

| what is known                                                                  | word         |
|--------------------------------------------------------------------------------|--------------|
| since then the card was offloaded with something else on it than ever before   | `used again` |
| anything else                                                                  | `given`      |

A card that was read again as it was then was not used: another copy was made of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

PermitWord = Literal["given", "used again"]
_OWN_NUMBER = "card:"
"""Begins the device key of a card that tells its own number, whatever reader it is in."""


@dataclass(frozen=True, slots=True)
class CardUse:
    """A card as it was at an offload, or when a permit was given: `card` is its `card_name`, `listing` the digest of
    what was on it."""

    card: str
    at: datetime
    listing: str


def card_name(device_key: str | None, serial: str | None, roll: str) -> str:
    """What tells a card from others: its own number, else its volume's; where there is neither, the roll it is of."""
    if device_key is not None and device_key.startswith(_OWN_NUMBER):
        return device_key
    return f"volume {serial}" if serial is not None else f"roll {roll}"


def judge_permit(permit: CardUse, offloads: Iterable[CardUse]) -> PermitWord:
    """The first line of the table above that applies; offloads of other cards say nothing."""
    same = [use for use in offloads if use.card == permit.card]
    before = {permit.listing} | {use.listing for use in same if use.at <= permit.at}
    if any(use.at > permit.at and use.listing not in before for use in same):
        return "used again"
    return "given"


def permit_words(word: str, when: str) -> str:
    """The sentence about a permit, wherever it is shown: `word` is that of `judge_permit`, or another one that is
    known of it (`withdrawn`), `when` the moment that it was given."""
    if word == "used again":
        return f"permit given {when} for what was on it then; used again since"
    return f"permit {word} {when} for what was on it then" if word == "given" else f"permit {word} {when}"
