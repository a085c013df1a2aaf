"""The cards this station has offloaded, in three groups, a line or two each: a page that can be printed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from rich.text import Text

from rollproof.cli.console import GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.workflows.cards import CardLine, CardsResult

_GROUPS = (
    ("keep", "KEEP", WARN),
    ("unknown", "NOT KNOWN: keep until may-wipe says otherwise", WARN),
    ("free", "FREE", GOOD),
)
_LABEL, _ROLL = 16, 12


def cards_lines(result: CardsResult) -> Iterator[Text]:
    """Cards to keep first, and what *free* means last."""
    if not result.cards:
        yield Text("This station has offloaded no such card.")
    for state, heading, style in _GROUPS:
        cards = [card for card in result.cards if card.state == state]
        if cards:
            yield Text(f"{heading}  ({words.counted(len(cards), 'card')})", style)
            for card in cards:
                yield from _card_lines(card)
            yield Text()
    yield from finding_lines(result.findings)
    if any(card.state == "free" for card in result.cards):
        yield Text("A free card may have been used since. Before you format it: rollproof may-wipe CARD", QUIET)


def _card_lines(card: CardLine) -> Iterator[Text]:
    errors = Text(f"  {words.counted(card.errors, 'read error')}", WARN) if card.errors else Text()
    yield join(
        "  ", left(card.label or "no label", _LABEL, STRONG), "  roll ", left(card.roll, _ROLL),
        f"  {words.size(card.capacity_bytes):>9}  since {_moment(card.since)}", errors,
    )  # fmt: skip
    earlier = f"; before: {', '.join(card.rolls[1:4])}" if len(card.rolls) > 1 else ""
    serial = f"volume {card.serial}; " if card.serial else ""
    yield join("    ", safe(f"{serial}{card.why}{earlier}", QUIET))


def _moment(moment: datetime) -> str:
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"
