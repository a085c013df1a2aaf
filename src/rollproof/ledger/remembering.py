"""Writing into the ledger, inside a transaction that `ledger.Ledger` opened."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table, and_, select

from rollproof.ledger import readings, tables
from rollproof.ledger.entries import (
    CopyNote,
    CopyState,
    DriveIdentity,
    PaceNote,
    PermitNote,
    RecordNote,
)
from rollproof.ledger.values import insert, seconds
from rollproof.models.findings import Finding
from rollproof.models.requests import Person
from rollproof.models.volumes import Evidence

LARGEST = (1 << 63) - 1
CLOCK = "clock"
"""Key in `info` of the latest moment the clock showed, since a person last confirmed it."""


def offset_minutes(moment: datetime) -> int:
    """The offset from UTC that the moment was written with."""
    offset = moment.utcoffset()
    return int(offset.total_seconds()) // 60 if offset is not None else 0


def count_write(connection: Connection) -> int:
    """One more write; returns how many there were. The count tells a ledger from an older state of itself."""
    column = tables.info.c
    found = connection.execute(select(column.value).where(column.key == "generation")).scalar()
    generation = int(found or 0) + 1
    put(connection, tables.info, {"key": "generation"}, {"value": str(generation)})
    return generation


def _find(connection: Connection, table: Table, key: dict[str, Any]) -> int | None:
    found = connection.execute(select(table.c.id).where(_equal(table, key))).scalar()
    return None if found is None else int(found)


def _equal(table: Table, key: dict[str, Any]) -> Any:
    return and_(*(table.c[name] == value for name, value in key.items()))


def find_or_insert(connection: Connection, table: Table, key: dict[str, Any], more: dict[str, Any]) -> int:
    """The id of the row with this key, made with `more` where there is none."""
    found = _find(connection, table, key)
    return insert(connection, table, {**key, **more}) if found is None else found


def put(connection: Connection, table: Table, key: dict[str, Any], values: dict[str, Any]) -> None:
    """Change the row with this key, or make it."""
    if connection.execute(table.update().where(_equal(table, key)).values(**values)).rowcount == 0:
        connection.execute(table.insert().values(**key, **values))


def person(connection: Connection, person: Person) -> int | None:
    """The id of a person; None where nobody was named."""
    if not person.name and not person.role:
        return None
    return find_or_insert(connection, tables.people, {"name": person.name, "role": person.role}, {})


def _device(connection: Connection, identity: DriveIdentity, drive: str, role: str, at: datetime) -> int:
    moment = seconds(at)
    found = _find(connection, tables.devices, {"identity": identity.text})
    names = {name: value for name, value in (("drive", drive), ("role", role)) if value}
    if found is None:
        values = {
            "identity": identity.text,
            "device_key": identity.device_key,
            "kind": identity.kind,
            "model": identity.model,
            "serial": identity.serial,
            "size_bytes": identity.size_bytes,
            "volume_serial": identity.volume_serial,
            "volume_label": identity.volume_label,
            "file_system": identity.file_system,
            "capacity_bytes": identity.capacity_bytes,
            "source": identity.source,
            "boot_id": identity.boot_id,
            "device_number": identity.device_number,
            "first_seen_at": moment,
            "last_seen_at": moment,
            **names,
        }
        return insert(connection, tables.devices, values)
    devices = tables.devices
    changes: dict[str, Any] = {**names, "volume_label": identity.volume_label}
    if identity.source:  # where it was seen last, not first: see `asking.drives_mounted_from`
        changes |= {
            "source": identity.source, "boot_id": identity.boot_id, "device_number": identity.device_number,
        }  # fmt: skip
    connection.execute(devices.update().where(devices.c.id == found).values(**changes))
    connection.execute(
        devices.update().where(devices.c.id == found, devices.c.last_seen_at < moment).values(last_seen_at=moment)
    )
    return found


def copy(connection: Connection, roll_id: int, note: CopyNote, offload_ids: tuple[int, ...], station: str) -> int:
    """See `Ledger.remember_copy`."""
    at = note.seen_at or note.said_at or (note.record.written_at if note.record is not None else None)
    if at is None:
        raise ValueError("a copy that was neither seen nor recorded")
    device_id = _device(connection, note.identity, note.drive, note.role, at)
    key = {"roll_id": roll_id, "device_id": device_id, "folder": note.folder}
    values: dict[str, Any] = {
        "drive": note.drive,
        "role": note.role,
        "state": note.state,
        "readback": note.readback.value if note.readback is not None else None,
        "why": note.why,
        "state_at": seconds(at),
    }
    if note.seen_at is not None:
        values |= {"seen_at": seconds(note.seen_at), "seen_by": station, "gone_at": None}
        note_clock(connection, seconds(note.seen_at))
        if note.state == "proven":
            values["proven_at"] = seconds(note.seen_at)
    if note.founder is not None:
        values["founder"] = note.founder
    known = _find(connection, tables.copies, key)
    copy_id = insert(connection, tables.copies, {**key, **values}) if known is None else known
    _paces(connection, copy_id, note.pace)
    if known is not None and note.seen_at is None and not _may_change(connection, copy_id, note, seconds(at)):
        return copy_id
    connection.execute(tables.copies.update().where(tables.copies.c.id == copy_id).values(**values))
    for offload_id in offload_ids:
        states = {"state": note.state, "readback": values["readback"]}
        put(connection, tables.copy_states, {"copy_id": copy_id, "offload_id": offload_id}, states)
    readings.stand_against(connection, copy_id)
    if note.record is not None:
        record(connection, copy_id, note.record)
    return copy_id


def _paces(connection: Connection, copy_id: int, paces: Iterable[PaceNote]) -> None:
    """What a record tells of a leg never changes; the same again changes nothing."""
    for pace in paces:
        key = {"copy_id": copy_id, "leg": pace.leg, "started_at": seconds(pace.started_at)}
        values = {
            "offset_minutes": offset_minutes(pace.started_at),
            "seconds": pace.seconds,
            "size_bytes": min(pace.size_bytes, LARGEST),
            "stretch_seconds": pace.stretch_seconds,
            "stretches": " ".join(map(str, pace.stretches)),
        }
        put(connection, tables.paces, key, values)


def _may_change(connection: Connection, copy_id: int, note: CopyNote, at: int) -> bool:
    """Whether a word that is not of this station's own eyes may change what is known of a copy.

    A copy's own records beat what a sibling's record says of it, whichever is learned first and whatever their dates:
    a sibling that is written first may call a copy incomplete that is still being finished. Else the newest word
    decides; and what somebody saw is only ever withdrawn by what was not seen.
    """
    copies = tables.copies.c
    known = connection.execute(select(copies.seen_at, copies.state_at).where(copies.id == copy_id)).one()
    of_its_own = tables.records.c.copy_id == copy_id
    has_own = connection.execute(select(tables.records.c.id).where(of_its_own).limit(1)).first() is not None
    if note.record is None and has_own:
        return False
    if note.record is not None and not has_own and known.seen_at is None:
        return True
    return at >= known.state_at and (known.seen_at is None or note.state != "proven")


def verdict(
    connection: Connection,
    copy_id: int,
    state: CopyState,
    readback: Evidence | None,
    at: datetime,
    why: str,
    station: str,
) -> None:
    """The newest word on a copy; it holds for all its files."""
    values = {"state": state, "readback": readback.value if readback is not None else None}
    connection.execute(
        tables.copies.update().where(tables.copies.c.id == copy_id).values(**values, why=why, state_at=seconds(at))
    )
    connection.execute(tables.copy_states.update().where(tables.copy_states.c.copy_id == copy_id).values(**values))
    readings.stand_against(connection, copy_id)
    seen(connection, copy_id, at, station)


def seen(connection: Connection, copy_id: int, at: datetime, station: str) -> None:
    """The station has the copy before its eyes."""
    copies, moment = tables.copies, seconds(at)
    note_clock(connection, moment)
    connection.execute(
        copies.update().where(copies.c.id == copy_id).values(seen_at=moment, seen_by=station, gone_at=None)
    )
    device = select(copies.c.device_id).where(copies.c.id == copy_id).scalar_subquery()
    devices = tables.devices
    connection.execute(
        devices.update().where(devices.c.id == device, devices.c.last_seen_at < moment).values(last_seen_at=moment)
    )


def proven(connection: Connection, copy_id: int, at: datetime) -> None:
    """The copy was read in full and proven there."""
    copies = tables.copies
    connection.execute(copies.update().where(copies.c.id == copy_id).values(proven_at=seconds(at)))


def note_clock(connection: Connection, moment: int) -> None:
    """The latest moment that this station's clock showed when something was remembered: see `proof.clock`."""
    column = tables.info.c
    found = connection.execute(select(column.value).where(column.key == CLOCK)).scalar()
    if found is None or int(found) < moment:
        put(connection, tables.info, {"key": CLOCK}, {"value": str(moment)})


def gone(connection: Connection, copy_id: int, at: datetime) -> None:
    """The copy's device was seen without it."""
    why = "its drive was seen without it"
    values = {"state": "unproven", "readback": None}
    connection.execute(
        tables.copies.update()
        .where(tables.copies.c.id == copy_id)
        .values(**values, why=why, state_at=seconds(at), gone_at=seconds(at))
    )
    connection.execute(tables.copy_states.update().where(tables.copy_states.c.copy_id == copy_id).values(**values))


def record(connection: Connection, copy_id: int, note: RecordNote) -> None:
    """A copy's chain holds this record; the same again changes nothing."""
    key = {"copy_id": copy_id, "sequence": note.sequence, "sha256": note.sha256}
    if _find(connection, tables.records, key) is not None:
        return
    values = {
        **key,
        "roll_id": _roll_of(connection, copy_id),
        "person_id": person(connection, note.person),
        "kind": note.kind,
        "name": note.name,
        "previous_sha256": note.previous_sha256,
        "station": note.station,
        "written_at": seconds(note.written_at),
        "offset_minutes": offset_minutes(note.written_at),
        "verdict": note.verdict,
        "detail": note.detail,
        "by_us": note.by_us,
    }
    connection.execute(tables.records.insert().values(**values))


def findings(connection: Connection, copy_id: int, found: Iterable[Finding], at: datetime) -> None:
    """What was found wrong or odd about a copy."""
    findings_of_roll(connection, _roll_of(connection, copy_id), copy_id, found, at)


def _roll_of(connection: Connection, copy_id: int) -> int:
    found = connection.execute(select(tables.copies.c.roll_id).where(tables.copies.c.id == copy_id)).scalar()
    if found is None:
        raise ValueError(f"the ledger knows no copy {copy_id}")
    return int(found)


def findings_of_roll(
    connection: Connection, roll_id: int, copy_id: int | None, found: Iterable[Finding], at: datetime
) -> None:
    """What was found about a roll, or about one copy of it."""
    values = [
        {
            "roll_id": roll_id,
            "copy_id": copy_id,
            "found_at": seconds(at),
            "kind": finding.kind.value,
            "severity": finding.severity.value,
            "path": finding.path,
            "detail": finding.detail,
            "remedy": finding.remedy,
            "count": finding.count,
        }
        for finding in found
    ]
    if values:
        connection.execute(tables.findings.insert(), values)


def permit(connection: Connection, note: PermitNote) -> int:
    """A permit that nobody was told of yet."""
    values = {
        "person_id": person(connection, note.person),
        "written_at": seconds(note.written_at),
        "offset_minutes": offset_minutes(note.written_at),
        "basis": note.basis,
        "listing_digest": note.listing_digest,
        "serial": note.serial,
        "state": "pending",
        "reason": note.reason,
    }
    permit_id = insert(connection, tables.permits, values)
    for roll_id in dict.fromkeys(note.rolls):
        connection.execute(tables.permit_rolls.insert().values(permit_id=permit_id, roll_id=roll_id))
    for copy_id in dict.fromkeys(note.copies):
        connection.execute(tables.permit_copies.insert().values(permit_id=permit_id, copy_id=copy_id))
    return permit_id


def settle(connection: Connection, permit_id: int, state: str, reason: str) -> None:
    """What became of a permit. ValueError when there is none of that number, or it was withdrawn before."""
    values = {"state": state, **({"reason": reason} if reason else {})}
    permits = tables.permits
    # a permit that was withdrawn stays withdrawn
    changed = connection.execute(
        permits.update().where(permits.c.id == permit_id, permits.c.state != "withdrawn").values(**values)
    )
    if changed.rowcount != 1:
        raise ValueError(f"no permit {permit_id} that could be {state}")
