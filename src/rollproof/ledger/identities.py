"""What the ledger knows of drives as physical things: seen when, together with which others; and of the clock."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations

from sqlalchemy import Connection, RowMapping, func, select

from rollproof.ledger import tables
from rollproof.ledger.asking import moment
from rollproof.ledger.entries import DriveIdentity, KnownDrive
from rollproof.ledger.remembering import CLOCK, gone, note_clock, offset_minutes, person
from rollproof.ledger.values import seconds
from rollproof.models.requests import Person
from rollproof.proof.clock import ClockFacts
from rollproof.proof.identity import Drive, Seen, Sighting, voided

_LATELY_SECONDS = 600


def drive_of(known: KnownDrive) -> Drive:
    """The facts of a drive that is remembered."""
    return numbered_drive(known.id, known.identity)


def numbered_drive(number: int, identity: DriveIdentity) -> Drive:
    """The facts of a drive with this number."""
    return Drive(
        number, identity.device_key, identity.volume_serial, identity.model, identity.serial, identity.size_bytes
    )


def remembered_drive(row: RowMapping) -> Drive:
    """The facts of a drive in a row of `devices`."""
    return Drive(row["id"], row["device_key"], row["volume_serial"], row["model"], row["serial"], row["size_bytes"])


def _numbered(connection: Connection, attached: Iterable[DriveIdentity]) -> list[Drive]:
    """Attached drives by their numbers here; those that are not known get numbers below 0."""
    found: list[Drive] = []
    for place, identity in enumerate(attached, start=1):
        query = select(tables.devices.c.id).where(tables.devices.c.identity == identity.text)
        known = connection.execute(query).scalar()
        found.append(numbered_drive(-place if known is None else int(known), identity))
    return found


@dataclass(frozen=True, slots=True)
class News:
    """What is to be noted of drives that are attached at one moment: pairs that are here together, and copies that a
    device held which is here with other file systems only."""

    pairs: tuple[tuple[int, int], ...]
    void: tuple[int, ...]


def news(connection: Connection, attached: Sequence[DriveIdentity], at: datetime) -> News:
    """What these drives, all that are attached at this moment, add to what is remembered."""
    drives = _numbered(connection, attached)
    known = sorted({drive.number for drive in drives if drive.number > 0})
    remembered = [remembered_drive(row) for row in connection.execute(select(tables.devices)).mappings()]
    void = [drive.number for drive in voided(remembered, drives)]
    held = select(tables.copies.c.id).where(tables.copies.c.device_id.in_(void), tables.copies.c.gone_at.is_(None))
    return News(
        tuple(_not_lately(connection, list(combinations(known, 2)), seconds(at))),
        tuple(connection.execute(held).scalars()) if void else (),
    )


def _not_lately(connection: Connection, pairs: list[tuple[int, int]], now: int) -> Iterator[tuple[int, int]]:
    """Those that were not seen together since one of the two was proven, or for a while."""
    copies = tables.copies.c
    query = select(copies.device_id, func.max(copies.proven_at)).group_by(copies.device_id)
    proven = {row[0]: row[1] or 0 for row in connection.execute(query)}
    rows = connection.execute(select(tables.together))
    together = {(row.device_id, row.other_id): row.seen_at for row in rows}
    for pair in pairs:
        needed = max(proven.get(number, 0) for number in pair)
        if not max(needed, now - _LATELY_SECONDS) <= together.get(pair, -1) <= now:
            yield pair


def see(connection: Connection, found: News, at: datetime) -> None:
    """Write down what is news."""
    now = seconds(at)
    together = tables.together
    for one, other in found.pairs:
        pair = (together.c.device_id == one, together.c.other_id == other)
        if connection.execute(together.update().where(*pair).values(seen_at=now)).rowcount == 0:
            connection.execute(together.insert().values(device_id=one, other_id=other, seen_at=now))
    for copy_id in found.void:
        gone(connection, copy_id, at)
    note_clock(connection, now)


def seen(connection: Connection, attached: Iterable[DriveIdentity]) -> Seen:
    """Every copy's last sighting, what is attached now, and which drives were attached at one moment."""
    copies, devices = tables.copies.c, tables.devices
    query = (
        select(devices, copies.seen_at.label("copy_seen_at"), copies.founder.label("copy_founder"))
        .join(tables.copies, copies.device_id == devices.c.id)
        .where(copies.seen_at.is_not(None))
    )
    sightings = [
        Sighting(
            remembered_drive(row),
            moment(row["copy_seen_at"]),
            frozenset({row["copy_founder"]} if row["copy_founder"] is not None else ()),
        )
        for row in connection.execute(query).mappings()
    ]
    sightings += [Sighting(drive, None) for drive in _numbered(connection, attached)]
    return Seen(sightings, seen_together(connection))


def seen_together(connection: Connection) -> dict[frozenset[int], datetime]:
    """When two drives were last attached at one moment."""
    rows = connection.execute(select(tables.together))
    return {frozenset({row.device_id, row.other_id}): moment(row.seen_at) for row in rows}


# --- the clock


def clock(connection: Connection) -> ClockFacts:
    """What is recorded here of moments, and what a person said of the clock."""
    said = connection.execute(select(tables.clock_words).order_by(tables.clock_words.c.id.desc()).limit(1)).first()
    column = tables.info.c
    high = connection.execute(select(column.value).where(column.key == CLOCK)).scalar()
    latest = [
        connection.execute(select(func.max(column))).scalar()
        for column in (
            tables.records.c.written_at,
            tables.offloads.c.written_at,
            tables.permits.c.written_at,
            tables.copies.c.state_at,
            tables.copies.c.seen_at,
        )
    ]
    recorded = max((int(value) for value in latest if value is not None), default=None)
    return ClockFacts(
        shown=None if high is None else moment(int(high)),
        recorded=None if recorded is None else moment(recorded),
        excused=None if said is None else moment(said.newest_at),
    )


def confirm_clock(connection: Connection, who: Person, at: datetime, newest: datetime) -> None:
    """A person says that the clock is right at `at`: what was seen until now counts for nothing while it is away."""
    connection.execute(
        tables.clock_words.insert().values(
            person_id=person(connection, who),
            said_at=seconds(at),
            offset_minutes=offset_minutes(at),
            newest_at=seconds(newest),
        )
    )
    connection.execute(tables.copies.update().values(seen_by=""))
    connection.execute(tables.info.delete().where(tables.info.c.key == CLOCK))
    note_clock(connection, seconds(at))
