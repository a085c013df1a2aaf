"""Values of rows, and rows by themselves."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table


def seconds(moment: datetime) -> int:
    """Whole seconds since 1970. ValueError for a moment without an offset: it would mean another time elsewhere."""
    if moment.tzinfo is None:
        raise ValueError("a moment without an offset from UTC")
    return int(moment.timestamp())


def insert(connection: Connection, table: Table, values: dict[str, Any]) -> int:
    """A new row; returns its id."""
    inserted = connection.execute(table.insert().values(**values)).inserted_primary_key
    assert inserted is not None
    return int(inserted[0])
