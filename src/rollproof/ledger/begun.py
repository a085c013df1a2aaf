"""Copies in the ledger that an offload has begun: put down before the first byte, taken away when one is finished.

Inside a transaction that `ledger.Ledger` opened, as in `remembering`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, and_, or_, select

from rollproof.ledger import tables
from rollproof.ledger.asking import moment
from rollproof.ledger.asking_rolls import rolls
from rollproof.ledger.entries import BegunNote, KnownBegun
from rollproof.ledger.values import insert, seconds
from rollproof.proof.devices import count_devices

MANY = 1_000
"""Copies that were begun and not finished: those beyond it say nothing new."""


def begin(connection: Connection, notes: Iterable[BegunNote]) -> None:
    """These copies are begun. What an earlier run of the same card left in the same place is gone on with."""
    for note in notes:
        _forget(connection, note)
        values = {**asdict(note), "began_at": seconds(note.began_at), "ended_at": None}
        insert(connection, tables.begun, values)


def end(connection: Connection, notes: Iterable[BegunNote], finished: frozenset[bytes], at: datetime) -> None:
    """The run that began them has ended: those whose path is `finished` are all there."""
    begun = tables.begun
    for note in notes:
        if note.path in finished:
            _forget(connection, note)
        else:
            here = and_(_at(note), begun.c.run == note.run)
            connection.execute(begun.update().where(here).values(ended_at=seconds(at)))


def known(connection: Connection) -> list[KnownBegun]:
    """Every copy that was begun and not finished, oldest first."""
    begun = tables.begun
    rows = connection.execute(select(begun).order_by(begun.c.id).limit(MANY)).mappings().all()
    if not rows:
        return []
    enough = _enough_at(connection, {row["listing_digest"] for row in rows})
    return [
        KnownBegun(
            row["id"],
            BegunNote(
                volume=row["volume"],
                folder=bytes(row["folder"]),
                drive=row["drive"],
                path=bytes(row["path"]),
                roll=row["roll"],
                production=row["production"],
                day=row["day"],
                unit=row["unit"],
                source_kind=row["source_kind"],
                source=bytes(row["source"]),
                serial=row["serial"],
                listing_digest=row["listing_digest"],
                command=row["command"],
                run=row["run"],
                began_at=moment(row["began_at"]),
            ),
            moment(row["ended_at"]) if row["ended_at"] is not None else None,
            enough.get(row["listing_digest"]),
        )
        for row in rows
    ]


def _enough_at(connection: Connection, listings: set[str]) -> dict[str, datetime]:
    """By listing the newest offload whose roll has the copies it needs."""
    enough = {roll.id for roll in rolls(connection) if count_devices(roll.proven_on) >= roll.copies_required}
    offloads = tables.offloads.c
    query = (
        select(offloads.listing_digest, offloads.roll_id, offloads.written_at)
        .where(offloads.listing_digest.in_(sorted(listings)))
        .order_by(offloads.written_at)
    )
    return {row.listing_digest: moment(row.written_at) for row in connection.execute(query) if row.roll_id in enough}


def _forget(connection: Connection, note: BegunNote) -> None:
    connection.execute(tables.begun.delete().where(_at(note)))


def _at(note: BegunNote) -> Any:
    """The same card in the same place, whatever was recorded on it in between where it tells itself by its serial."""
    begun = tables.begun.c
    card = begun.listing_digest == note.listing_digest
    if note.serial is not None:
        card = or_(card, begun.serial == note.serial)
    return and_(begun.volume == note.volume, begun.folder == note.folder, card)
