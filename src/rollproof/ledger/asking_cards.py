"""Reading from the ledger what is known of cards: their offloads, the permits given for them, the trouble with them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from sqlalchemy import Connection, func, select

from rollproof.ledger import tables
from rollproof.ledger.asking import moment
from rollproof.ledger.entries import PermitNote
from rollproof.models.findings import Kind

READ_ERRORS = (Kind.UNREADABLE, Kind.UNREADABLE_FOLDER, Kind.SOURCE_READS_DIFFER)
"""What says that a card, or the reader it was in, did not give what is on it."""


def given_permits(connection: Connection) -> list[PermitNote]:
    """Every permit that was given, oldest first; who it was given to and which copies counted is left out."""
    permits = tables.permits
    rolls: dict[int, list[int]] = {}
    for permit, roll in connection.execute(select(tables.permit_rolls.c.permit_id, tables.permit_rolls.c.roll_id)):
        rolls.setdefault(permit, []).append(roll)
    query = select(permits).where(permits.c.state == "given").order_by(permits.c.written_at, permits.c.id)
    return [
        PermitNote(
            written_at=moment(row["written_at"], row["offset_minutes"]),
            basis=row["basis"],
            listing_digest=row["listing_digest"],
            serial=row["serial"],
            rolls=tuple(rolls.get(row["id"], ())),
            copies=(),
            reason=row["reason"],
        )
        for row in connection.execute(query).mappings()
    ]


def card_findings(connection: Connection, roll_id: int, kinds: Iterable[Kind]) -> list[tuple[str, str]]:
    """What the newest offload of a roll found of these kinds on its card: path and sentence of each."""
    found, offloads = tables.findings.c, tables.offloads.c
    newest = select(func.max(offloads.written_at)).where(offloads.roll_id == roll_id).scalar_subquery()
    query = select(found.path, found.detail).where(
        found.roll_id == roll_id,
        found.copy_id.is_(None),
        found.kind.in_([kind.value for kind in kinds]),
        found.found_at >= newest,
    )
    return [(row.path, row.detail) for row in connection.execute(query)]


def card_trouble(connection: Connection) -> Counter[int]:
    """How many read errors the offloads of each roll had on the card's side, by the roll's id."""
    found = tables.findings.c
    query = (
        select(found.roll_id, func.sum(found.count))
        .where(found.copy_id.is_(None), found.kind.in_([kind.value for kind in READ_ERRORS]))
        .group_by(found.roll_id)
    )
    return Counter({roll: int(count) for roll, count in connection.execute(query)})
