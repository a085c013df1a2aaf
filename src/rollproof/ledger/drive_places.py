"""Which drive was last seen where: at a mount point, and in a role of a production."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from datetime import UTC, datetime

from sqlalchemy import Connection, select

from rollproof.ledger import tables
from rollproof.ledger.entries import KnownPlace, PlaceNote
from rollproof.ledger.remembering import put
from rollproof.ledger.values import seconds


def remember(connection: Connection, notes: Iterable[PlaceNote], at: datetime) -> None:
    """Each drive becomes the last one seen at its mount point and in its role."""
    for note in notes:
        values = {"identity": note.volume, "drive": note.drive, "seen_at": seconds(at)}
        put(connection, tables.places, {"kind": "mount", "place": note.mount_point}, values)
        if note.role:
            put(connection, tables.places, {"kind": "role", "place": _role(note.production, note.role)}, values)


def last_at(connection: Connection, path: bytes) -> KnownPlace | None:
    """The drive last seen mounted at an absolute path, or at the nearest folder above it."""
    above = [path]
    while (parent := os.path.dirname(above[-1])) != above[-1]:
        above.append(parent)
    places = tables.places.c
    found = connection.execute(select(tables.places).where(places.kind == "mount", places.place.in_(above))).mappings()
    nearest = max(found, key=lambda row: len(row["place"]), default=None)
    return None if nearest is None else _known(nearest["identity"], nearest["drive"], nearest["seen_at"])


def last_in(connection: Connection, production: str, role: str) -> KnownPlace | None:
    """The drive last seen in a role of a production."""
    places = tables.places.c
    row = connection.execute(
        select(tables.places).where(places.kind == "role", places.place == _role(production, role))
    ).first()
    return None if row is None else _known(row.identity, row.drive, row.seen_at)


def _known(identity: str, drive: str, seen_at: int) -> KnownPlace:
    return KnownPlace(identity, drive, datetime.fromtimestamp(seen_at, UTC))


def _role(production: str, role: str) -> bytes:
    return json.dumps([production, role.casefold()]).encode()
