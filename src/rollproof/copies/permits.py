"""The permits that this station remembers, and the uses of cards by which they are judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rollproof.ledger.entries import CardNote
from rollproof.ledger.ledger import Ledger
from rollproof.proof.permits import CardUse, PermitWord, card_name, judge_permit
from rollproof.records.models import SourceBlock


@dataclass(frozen=True, slots=True)
class RollPermit:
    """The newest permit that was given for a roll's card, and what it says today."""

    at: datetime
    word: PermitWord


def uses_of_ledger(ledger: Ledger) -> list[CardUse]:
    """Every card as it was at each of its offloads. Raises LedgerProblem."""
    return [_use(each.card, each.roll, each.written_at) for each in ledger.all_offloads()]


def permits_given(ledger: Ledger) -> dict[int, list[CardUse]]:
    """By roll the permits that were given and stand, oldest first. Raises LedgerProblem."""
    cards: dict[int, tuple[CardNote, str]] = {}
    for each in ledger.all_offloads():
        cards.setdefault(each.roll_id, (each.card, each.roll))
    found: dict[int, list[CardUse]] = {}
    for permit in ledger.given_permits():
        for roll in permit.rolls:
            if roll in cards:
                card, name = cards[roll]
                use = CardUse(card_name(card.device_key, card.serial, name), permit.written_at, permit.listing_digest)
                found.setdefault(roll, []).append(use)
    return found


def permits_by_roll(ledger: Ledger) -> dict[int, RollPermit]:
    """By roll its newest permit. Raises LedgerProblem."""
    uses = uses_of_ledger(ledger)
    return {
        roll: RollPermit(given[-1].at, judge_permit(given[-1], uses)) for roll, given in permits_given(ledger).items()
    }


def use_of_record(source: SourceBlock, roll: str, at: datetime) -> CardUse:
    """The card that a record of an offload or a permit speaks of."""
    return CardUse(card_name(source.device.key, source.serial, roll), at, source.listing_digest)


def _use(card: CardNote, roll: str, at: datetime) -> CardUse:
    return CardUse(card_name(card.device_key, card.serial, roll), at, card.listing_digest)
