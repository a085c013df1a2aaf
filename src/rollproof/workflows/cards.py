"""`rollproof cards`: every card this station has offloaded, which to keep and which are free."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from rollproof.copies.begun import begun_finding, begun_offloads
from rollproof.ledger.entries import CardNote, KnownOffload, KnownRoll, PermitNote
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding
from rollproof.models.names import inert
from rollproof.proof.cards import CardHistory, judge_card
from rollproof.proof.devices import count_devices
from rollproof.station.ledger import StationLedger

_OWN_NUMBER = "card:"
"""Begins the device key of a card that tells its own number, whatever reader it is in."""
_ORDER = {"keep": 0, "unknown": 1, "free": 2}


class CardLine(BaseModel):
    """One card. `since` is when its state began, `rolls` every roll that was ever offloaded from it, newest first."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    label: str
    serial: str | None
    capacity_bytes: int
    state: Literal["keep", "free", "unknown"]
    roll: str
    since: datetime
    errors: int
    """Read errors that its offloads ever had."""
    why: str
    rolls: list[str]


class CardsResult(BaseModel):
    """Everything `rollproof cards` has to say: cards to keep first, then by label."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    cards: list[CardLine]
    findings: list[Finding]

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


def list_cards(*, state: str | None = None, ledger: Ledger | None = None) -> CardsResult:
    """The cards this station knows, of one state only where it is given. Raises LedgerProblem."""
    with StationLedger(ledger) as station:
        known = station.ledger
        findings = list(station.findings())
        if known is None:
            return CardsResult(cards=[], findings=findings)
        rolls = {roll.id: roll for roll in known.rolls()}
        findings += [
            begun_finding(each)
            for each in begun_offloads(known, station.at_work)
            if each.needs_card and each.source_kind == "card"
        ]
        permits, errors = known.given_permits(), known.card_trouble()
        cards = [_line(runs, rolls, permits, errors) for runs in _by_card(known.all_offloads())]
        cards.sort(key=lambda card: (_ORDER[card.state], card.label, card.since))
        return CardsResult(cards=[card for card in cards if state in (None, card.state)], findings=findings)


def _by_card(offloads: Iterable[KnownOffload]) -> list[list[KnownOffload]]:
    """The runs over each card, newest first."""
    found: dict[tuple[object, ...], list[KnownOffload]] = {}
    for offload in offloads:
        found.setdefault(_identity(offload.card) or ("roll", offload.roll_id), []).append(offload)
    return list(found.values())


def _identity(card: CardNote) -> tuple[object, ...] | None:
    """What tells a card from others: its own number, else its volume's; None where there is neither. A format gives it
    another volume."""
    if card.device_key is not None and card.device_key.startswith(_OWN_NUMBER):
        return (card.device_key,)
    return (card.serial, card.capacity_bytes) if card.serial is not None else None


def _line(
    runs: Sequence[KnownOffload], rolls: dict[int, KnownRoll], permits: Sequence[PermitNote], errors: Counter[int]
) -> CardLine:
    newest = runs[0]
    card, roll = newest.card, rolls.get(newest.roll_id)
    standing = judge_card(
        CardHistory(
            has_identity=_identity(card) is not None,
            ours=any(run.ours for run in runs),
            offloaded_at=newest.written_at,
            permitted_at=_permitted_at(newest, permits),
            enough_copies=roll is not None and count_devices(roll.proven_on) >= roll.copies_required,
        )
    )
    return CardLine(
        label=inert(card.volume_name),
        serial=card.serial,
        capacity_bytes=card.capacity_bytes,
        state=standing.state,
        roll=newest.roll,
        since=standing.since,
        errors=sum(errors[number] for number in {run.roll_id for run in runs}),
        why=standing.why,
        rolls=list(dict.fromkeys(run.roll for run in runs)),
    )


def _permitted_at(newest: KnownOffload, permits: Sequence[PermitNote]) -> datetime | None:
    """When the newest permit for the newest roll of the card was given."""
    given = [permit.written_at for permit in permits if newest.roll_id in permit.rolls]
    return max(given, default=None)
