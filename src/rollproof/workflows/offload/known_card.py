"""A card that was offloaded before: said before it is copied once more.

By names, sizes and dates, from this station's memory: a help for people. What is proven, only reading tells.
"""

from __future__ import annotations

from rollproof.ledger.entries import KnownCopy, KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.models.counting import count_of
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert
from rollproof.station.context import Context
from rollproof.workflows.offload.source import Source


def known_card(source: Source, ctx: Context) -> list[Finding]:
    """Under which rolls a card with just these files was proven before: a warning where the name is another one now,
    else a note. Nothing for a recorded copy, and where the ledger cannot be asked."""
    if source.kind != "card" or not source.snapshot.files:
        return []
    digest = source.snapshot.listing_digest
    known = ctx.station.peek(lambda ledger: _proven_before(ledger, digest))
    return [_finding(source.roll, offload, copies) for offload, copies in known or []]


def _proven_before(ledger: Ledger, digest: str) -> list[tuple[KnownOffload, int]]:
    """The newest offload of each roll with this listing, and how many proven copies of it are remembered."""
    newest = {offload.roll_id: offload for offload in sorted(ledger.find_by_listing(digest), key=_when)}
    counted = [(each, sum(_holds(copy, each) for copy in ledger.copies_of(each.roll_id))) for each in newest.values()]
    return [(offload, copies) for offload, copies in counted if copies]


def _when(offload: KnownOffload) -> float:
    return offload.written_at.timestamp()


def _holds(copy: KnownCopy, offload: KnownOffload) -> bool:
    return copy.gone_at is None and copy.states.get(offload.id) == "proven"


def _finding(roll: str, offload: KnownOffload, copies: int) -> Finding:
    same = offload.roll == roll
    name = inert(offload.roll)
    day = offload.written_at.astimezone().isoformat(sep=" ", timespec="minutes")[:16]
    whose = f" for {inert(offload.production)}" if offload.production else ""
    detail = (
        f"a card with these files (names, sizes and dates) was offloaded as roll {name}{whose}, {day}:"
        f" {count_of(copies, 'proven copy', 'proven copies')} of it known here"
    )
    remedy = (
        "if no more copies are wanted, ask whether it may be wiped: rollproof may-wipe CARD"
        if same
        else f"if it is that card, give its name with --roll {name}, before it goes by two names"
    )
    return Finding(Kind.KNOWN_CARD, Severity.NOTE if same else Severity.WARNING, "", detail, remedy=remedy)
