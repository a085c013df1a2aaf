"""Readings of copies in the ledger: put down when they begin, and what they find wrong when it is found.

Inside a transaction that `ledger.Ledger` opened, as in `remembering`.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, and_, or_, select

from rollproof.ledger import tables
from rollproof.ledger.asking import moment
from rollproof.ledger.entries import BadNews, ReadingNote
from rollproof.ledger.values import insert, seconds
from rollproof.proof.readings import Unsettled

MANY = 10_000
"""Unsettled readings of one place: those beyond it say nothing new."""


def begin(connection: Connection, note: ReadingNote) -> int:
    """A reading begins; returns its number."""
    values = {
        "identity": note.identity.text,
        "folder": note.folder,
        "drive": note.drive,
        "command": note.command,
        "began_at": seconds(note.began_at),
        "newest_record": note.newest_record,
    }
    return insert(connection, tables.readings, values)


def saw(connection: Connection, reading_id: int, newest_record: str) -> None:
    """The newest word in the records of what is being read."""
    readings = tables.readings
    connection.execute(readings.update().where(readings.c.id == reading_id).values(newest_record=newest_record))


def found(connection: Connection, reading_id: int, news: BadNews) -> None:
    """Something is wrong: the proof of every copy at that place is withdrawn. The first news keeps its words."""
    readings = tables.readings
    row = connection.execute(select(readings).where(readings.c.id == reading_id)).mappings().one_or_none()
    if row is None:
        raise ValueError(f"the ledger knows no reading {reading_id}")
    values: dict[str, Any] = {"count": row["count"] + news.count}
    if row["state"] is None:
        values |= {"state": news.state, "why": news.why, "path": news.path, "bad_at": seconds(news.at)}
    connection.execute(readings.update().where(readings.c.id == reading_id).values(**values))
    if row["state"] is None:
        withdraw(connection, row["identity"], row["folder"], news.state, news.why, seconds(news.at))


def end(connection: Connection, reading_id: int, *, settles: bool) -> None:
    """A reading that left nothing is forgotten; one that settles takes all earlier ones of its place along."""
    readings = tables.readings.c
    row = connection.execute(select(readings.identity, readings.folder).where(readings.id == reading_id)).one_or_none()
    if row is None:
        return
    if settles:
        settle(connection, row.identity, bytes(row.folder))
    else:
        connection.execute(tables.readings.delete().where(readings.id == reading_id, readings.state.is_(None)))


def settle(connection: Connection, identity: str, folder: bytes, *, only: str | None = None) -> None:
    """Everything in this folder was read anew and is as recorded. `only` leaves the readings of other commands."""
    readings = tables.readings.c
    which = [readings.identity == identity, _is_in(folder)]
    if only is not None:
        which.append(readings.command == only)
    connection.execute(tables.readings.delete().where(and_(*which)))


def settle_by_word(connection: Connection, identity: str, folder: bytes, newest_record: str) -> None:
    """The records of this copy hold a word by which it is proven: it answers the readings that had not seen it."""
    readings = tables.readings.c
    here = and_(readings.identity == identity, readings.folder == folder)
    connection.execute(tables.readings.delete().where(here, readings.newest_record.not_in(("", newest_record))))


def stand_against(connection: Connection, copy_id: int) -> None:
    """What an unsettled reading found holds for a copy that is learned, or told of anew, after it."""
    copies, readings = tables.copies.c, tables.readings.c
    query = (
        select(readings.state, readings.why, readings.bad_at, readings.identity, readings.folder)
        .join(tables.devices, tables.devices.c.identity == readings.identity)
        .join(tables.copies, copies.device_id == tables.devices.c.id)
        .where(copies.id == copy_id, readings.folder == copies.folder, readings.state.is_not(None))
        .where(copies.state.in_(("proven", "copied")))
        .limit(1)
    )
    for row in connection.execute(query).all():
        withdraw(connection, row.identity, bytes(row.folder), row.state, row.why, row.bad_at)


def unsettled(connection: Connection) -> dict[tuple[str, bytes], list[Unsettled]]:
    """Every unsettled reading by its place."""
    places: dict[tuple[str, bytes], list[Unsettled]] = {}
    readings = tables.readings
    for row in connection.execute(select(readings).order_by(readings.c.id).limit(MANY)).mappings():
        known = Unsettled(moment(row["began_at"]), row["command"], row["why"], row["newest_record"])
        places.setdefault((row["identity"], bytes(row["folder"])), []).append(known)
    return places


def withdraw(connection: Connection, identity: str, folder: bytes, state: str, why: str, at: int) -> None:
    """No copy in this folder is proven any more."""
    copies, devices = tables.copies, tables.devices
    device = select(devices.c.id).where(devices.c.identity == identity).scalar_subquery()
    here = and_(copies.c.device_id == device, copies.c.folder == folder)
    values = {"state": state, "readback": None}
    connection.execute(copies.update().where(here).values(**values, why=why, state_at=at))
    ids = select(copies.c.id).where(here)
    connection.execute(tables.copy_states.update().where(tables.copy_states.c.copy_id.in_(ids)).values(**values))


def _is_in(folder: bytes) -> Any:
    readings = tables.readings.c
    if not folder:
        return readings.folder.is_not(None)
    inside = and_(readings.folder > folder + b"/", readings.folder < folder + b"0")  # "0" comes after "/"
    return or_(readings.folder == folder, inside)
