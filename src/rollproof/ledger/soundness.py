"""Is the file still a whole ledger? All of it is looked through when there is reason to, the part that matters always.

Whatever is missing from `files` can only make a card be kept: a file without a row is a file without a record.
Whatever is missing from the other tables can hide a bad word (a verify that failed, a drive that was seen without its
roll, a record that a chain has lost, a clip that is damaged), so those and their indexes are checked at every opening.
They are small: a million files are a few thousand rows there, and some ten thousand clips. How fast drives were is no
word on a copy.

All of it is looked through when the file is not as a process of ours left it in good order (a kill, an edit, a backup
put back), and once in `EVERY_SECONDS`. What no check of a database sees is another value in a sound row. Against that
stands that the answer never rests on the ledger alone: what the card holds must equal the records on a drive that is
attached, read there and then.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect
from sqlalchemy.exc import DatabaseError, OperationalError

from rollproof.ledger import tables
from rollproof.ledger.migrations import MIGRATIONS, numbers
from rollproof.ledger.station_file import StationFile

EVERY_SECONDS = 7 * 24 * 3600.0
"""The longest time between two looks through all of it."""
_LATER = frozenset({tables.files.name, tables.paces.name})
_WARM_BYTES = 4 << 20
_DISORDER = "its pages do not fit together"


def needs_full_check(station: StationFile, now: float) -> bool:
    """Whether all of the ledger has to be looked through now."""
    at = station.checked_as_left()
    return at is None or not 0 <= now - at <= EVERY_SECONDS


def damage(engine: Engine, station: StationFile, *, everything: bool) -> str | None:
    """Why the file cannot be a ledger any more, or None when it is whole. Raises OperationalError when it is held."""
    if station.path.stat().st_size == 0:
        return "it is empty"
    if everything:
        _warm(station.path)
    try:
        with engine.connect() as connection:
            return _damage(connection, everything=everything)
    except OperationalError:
        raise
    except DatabaseError as problem:
        return str(problem.orig or problem)[:200]


def _damage(connection: Connection, *, everything: bool) -> str | None:
    if everything:
        found = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
        if found != "ok":
            return _DISORDER
    there = set(inspect(connection).get_table_names())
    missing = sorted(set(tables.metadata.tables) - there)
    # an older form lacks tables for a good reason
    if missing and tables.migrations.name in there and max(numbers(connection), default=0) == MIGRATIONS[-1].number:
        return f"it lacks {', '.join(missing)}"
    for name in sorted(there & set(tables.metadata.tables) - _LATER):
        found = connection.exec_driver_sql(f"PRAGMA integrity_check({name})").scalar()
        if found != "ok":
            return _DISORDER
    return None


def _warm(path: Path) -> None:
    """Read the file once from end to end: the check goes through it in the order of its trees, which a cold disk
    answers ten times slower."""
    with path.open("rb", buffering=0) as file:
        block = bytearray(_WARM_BYTES)
        while file.readinto(block):
            pass
