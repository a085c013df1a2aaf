"""Bad news that outlives its ledger: unsettled readings of one that was set aside go into the one that takes its place.

A drive's records tell what copies are; what a reading found and nobody could write down there, only the ledger knows.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

from rollproof.ledger import tables
from rollproof.ledger.ledger import Ledger

_COLUMNS = tuple(column.name for column in tables.readings.columns if column.name != "id")


def unsettled_in(aside: Path) -> list[dict[str, Any]] | None:
    """The unsettled readings of a ledger that was set aside; None where it cannot be read. One that an earlier version
    made knows of none."""
    try:
        with contextlib.closing(sqlite3.connect(aside)) as ledger:
            rows = ledger.execute(f"SELECT {', '.join(_COLUMNS)} FROM readings ORDER BY id").fetchall()
    except sqlite3.Error as problem:
        return [] if "no such table" in str(problem) else None
    return [dict(zip(_COLUMNS, row, strict=True)) for row in rows]


def carry_over(aside: Path, ledger: Ledger) -> bool:
    """Put them into a ledger; returns whether the old one could be read. Raises LedgerProblem."""
    rows = unsettled_in(aside)
    if rows:
        with ledger.writing("carrying over what readings found") as connection:
            connection.execute(tables.readings.insert(), rows)
    return rows is not None
