"""Steps from one form of the ledger to the next, each in one transaction together with the note that it ran."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass

from sqlalchemy import Connection, inspect, select

from rollproof.ledger import tables
from rollproof.ledger.trouble import LedgerProblem


@dataclass(frozen=True, slots=True)
class Migration:
    """One step. `run` changes the tables, inside the transaction it is handed; numbers are 1, 2, … and never reused.

    With `keeps_copy`, the ledger's file is copied before anything is changed in it.
    """

    number: int
    name: str
    run: Callable[[Connection], None]
    keeps_copy: bool = False


FROM_A_COPY = "copied from a recorded copy"
"""Ends what the ledger keeps of an offload record whose source was a recorded copy."""


def _first_tables(connection: Connection) -> None:
    # The tables as of today: a later step adds only what is not there yet.
    tables.metadata.create_all(connection)


def _facts_of_clips(connection: Connection) -> None:
    # a ledger that is made today has them from the first step
    there = {column["name"] for column in inspect(connection).get_columns("clips")}
    for name in ("duration", "timecode", "frame_rate", "resolution", "codec"):
        if name not in there:
            connection.exec_driver_sql(f"ALTER TABLE clips ADD COLUMN {name} TEXT")


def _paces(connection: Connection) -> None:
    tables.paces.create(connection, checkfirst=True)


def _places(connection: Connection) -> None:
    tables.places.create(connection, checkfirst=True)


def _readings(connection: Connection) -> None:
    tables.readings.create(connection, checkfirst=True)


def _identities(connection: Connection) -> None:
    there = {column["name"] for column in inspect(connection).get_columns("copies")}
    for name, kind in (("founder", "TEXT"), ("proven_at", "BIGINT")):
        if name not in there:
            connection.exec_driver_sql(f"ALTER TABLE copies ADD COLUMN {name} {kind}")
    tables.together.create(connection, checkfirst=True)
    tables.clock_words.create(connection, checkfirst=True)
    copies, records = tables.copies, tables.records
    seen_proven = (copies.c.state == "proven", copies.c.seen_at.is_not(None))
    connection.execute(copies.update().where(*seen_proven).values(proven_at=copies.c.state_at))
    # The ledger does not know which places records speak of: the newest copy of a recorded copy founded, else the
    # first offload. The next look at the drive reads the chain itself.
    from_a_copy = records.c.detail.like(f"%{FROM_A_COPY}")
    query = (
        select(records.c.copy_id, records.c.sha256, from_a_copy.label("from_a_copy"))
        .where(records.c.kind == "offload", records.c.copy_id.is_not(None))
        .order_by(records.c.copy_id, records.c.sequence, records.c.id)
    )
    founders: dict[int, str] = {}
    for copy_id, sha256, founds_anew in connection.execute(query):
        if founds_anew or copy_id not in founders:
            founders[copy_id] = sha256
    for copy_id, sha256 in founders.items():
        connection.execute(copies.update().where(copies.c.id == copy_id).values(founder=sha256))


def _media_seen(connection: Connection) -> None:
    tables.media_seen.create(connection, checkfirst=True)


def _begun(connection: Connection) -> None:
    tables.begun.create(connection, checkfirst=True)


MIGRATIONS: tuple[Migration, ...] = (
    Migration(1, "the first tables", _first_tables),
    Migration(2, "what is known of clips", _facts_of_clips),
    Migration(3, "how fast copies were made", _paces),
    Migration(4, "where drives were seen", _places),
    Migration(5, "readings that were begun", _readings),
    Migration(6, "the identity of copies", _identities, keeps_copy=True),
    Migration(7, "sleeps since a medium was put in", _media_seen),
    Migration(8, "offloads that were begun", _begun),
)

Transaction = Callable[[], AbstractContextManager[Connection]]


def migrate(reading: Transaction, writing: Transaction, steps: Sequence[Migration] = MIGRATIONS) -> list[int]:
    """Run every step that has not run yet, each in a transaction from `writing`; returns their numbers.

    Raises LedgerProblem when the ledger is newer than this tool. A step that fails leaves no trace of itself.
    """
    ran: list[int] = []
    with reading() as connection:
        done = numbers(connection)
    if max(done, default=0) > steps[-1].number:
        raise LedgerProblem(
            "The ledger was written by a newer version of this tool"
            f" (its form {max(done)}, known is {steps[-1].number}).",
            hint="Install the newer version. The ledger was left as it is.",
        )
    for step in steps:
        if step.number in done:
            continue
        with writing() as connection:
            # looked up again inside the transaction: another process may have run it a moment ago
            if step.number in numbers(connection):
                continue
            step.run(connection)
            if step.number == 1:
                tables.migrations.create(connection, checkfirst=True)
            connection.execute(
                tables.migrations.insert().values(number=step.number, name=step.name, ran_at=int(time.time()))
            )
        ran.append(step.number)
    return ran


def wants_copy(connection: Connection, steps: Sequence[Migration] = MIGRATIONS) -> bool:
    """Whether a ledger that is in use is about to be changed by a step that keeps a copy of it."""
    done = numbers(connection)
    return bool(done) and any(step.keeps_copy and step.number not in done for step in steps)


def numbers(connection: Connection) -> set[int]:
    """The steps that ran, by the notes that they left; none for a ledger that has no tables yet."""
    if not inspect(connection).has_table(tables.migrations.name):
        return set()
    return set(connection.execute(select(tables.migrations.c.number)).scalars())
