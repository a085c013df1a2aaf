"""Reading from the ledger, inside a transaction that `ledger.Ledger` opened."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta, timezone
from itertools import islice
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Connection, RowMapping, case, func, or_, select

from rollproof.hashing.algorithms import raw_of, text_of
from rollproof.ledger import tables
from rollproof.ledger.entries import (
    CardNote,
    ClipNote,
    DriveIdentity,
    KnownCopy,
    KnownDrive,
    KnownFile,
    KnownOffload,
    PaceNote,
)
from rollproof.models.volumes import Evidence
from rollproof.proof.histories import RecordFact

if TYPE_CHECKING:
    from rollproof.ledger.trust import Trust

_AT_ONCE = 500
"""Values in one IN list: far below what any database allows."""


def moment(seconds: int, offset_minutes: int = 0) -> datetime:
    """The moment with the offset it was written with."""
    return datetime.fromtimestamp(seconds, UTC).astimezone(timezone(timedelta(minutes=offset_minutes)))


def _maybe(seconds: int | None) -> datetime | None:
    return None if seconds is None else moment(seconds)


def offloads(connection: Connection, trust: Trust, which: ColumnElement[bool]) -> list[KnownOffload]:
    """The runs that fulfil a condition, newest first."""
    found = connection.execute(
        select(tables.offloads, tables.rolls.c.name.label("roll"), tables.productions.c.name.label("production"))
        .join(tables.rolls, tables.rolls.c.id == tables.offloads.c.roll_id)
        .join(tables.productions, tables.productions.c.id == tables.rolls.c.production_id)
        .where(which)
        .order_by(tables.offloads.c.written_at.desc(), tables.offloads.c.id.desc())
    ).mappings()
    return [
        KnownOffload(
            id=row["id"],
            roll_id=row["roll_id"],
            production=row["production"] or None,
            roll=row["roll"],
            card=_card(row),
            algorithm=row["algorithm"],
            written_at=moment(row["written_at"], row["offset_minutes"]),
            station=row["station"],
            ours=trust.vouches(row["station"], row["written_at"]),
            copies_required=row["copies_required"],
            files=row["files"],
            size_bytes=row["size_bytes"],
            files_digest=row["files_digest"],
        )
        for row in found
    ]


def _card(row: RowMapping) -> CardNote:
    return CardNote(
        volume_name=row["volume_name"],
        serial=row["serial"],
        capacity_bytes=row["capacity_bytes"],
        file_system=row["file_system"],
        boot_id=row["boot_id"],
        disk_sequence=row["disk_sequence"],
        mount_point=bytes(row["mount_point"]),
        device_number=row["device_number"],
        device_key=row["device_key"],
        listing_digest=row["listing_digest"],
        reads=tuple(Evidence(word) for word in row["source_reads"].split()),
    )


def files_by_hash(connection: Connection, algorithm: str, hashes: Iterable[str]) -> list[KnownFile]:
    """Every known file with one of these hashes."""
    wanted = iter({raw_of(algorithm, text) for text in hashes})
    query = _files_query().where(tables.offloads.c.algorithm == algorithm)
    found: list[KnownFile] = []
    while batch := list(islice(wanted, _AT_ONCE)):
        found += [_file(row) for row in connection.execute(query.where(tables.files.c.hash.in_(batch))).mappings()]
    return found


def knows_one_of(connection: Connection, files: Iterable[tuple[bytes, int]]) -> bool:
    """Whether a file of such a path and size, whatever its content, was ever offloaded."""
    table, wanted = tables.files.c, iter(files)
    while batch := dict(islice(wanted, _AT_ONCE)):
        rows = connection.execute(select(table.path, table.size_bytes).where(table.path.in_(batch)).distinct())
        if any(batch[path] == size for path, size in rows):
            return True
    return False


def files_of(connection: Connection, offload_id: int) -> Iterator[KnownFile]:
    """Every file of a run, in the order they were written down."""
    query = _files_query().where(tables.files.c.offload_id == offload_id).order_by(tables.files.c.id)
    rows = connection.execution_options(yield_per=2000).execute(query).mappings()
    for row in rows:
        yield _file(row)


def _files_query() -> Any:
    return select(tables.files, tables.offloads.c.algorithm).join(
        tables.offloads, tables.offloads.c.id == tables.files.c.offload_id
    )


def _file(row: RowMapping) -> KnownFile:
    raw = row["hash"]
    return KnownFile(
        offload_id=row["offload_id"],
        path=bytes(row["path"]),
        size=row["size_bytes"],
        modified_ns=row["modified_seconds"] * 1_000_000_000 + row["modified_nanos"],
        algorithm=row["algorithm"],
        hash_text=None if raw is None else text_of(row["algorithm"], bytes(raw)),
    )


def copies(connection: Connection, trust: Trust, which: ColumnElement[bool]) -> list[KnownCopy]:
    """The copies that fulfil a condition, in the order they were first seen."""
    ours = tables.copies.c
    found = connection.execute(
        select(
            tables.devices,
            *(
                ours[name].label(f"copy_{name}")
                for name in (
                    "id",
                    "roll_id",
                    "folder",
                    "drive",
                    "role",
                    "state",
                    "readback",
                    "why",
                    "state_at",
                    "seen_at",
                    "founder",
                    "proven_at",
                )
            ),
            ours.seen_by.label("copy_seen_by"),
            ours.gone_at.label("copy_gone_at"),
        )
        .join(tables.devices, tables.devices.c.id == ours.device_id)
        .where(which)
        .order_by(ours.id)
    ).mappings()
    result = []
    for row in found:
        states = connection.execute(
            select(tables.copy_states.c.offload_id, tables.copy_states.c.state).where(
                tables.copy_states.c.copy_id == row["copy_id"]
            )
        )
        result.append(
            KnownCopy(
                id=row["copy_id"],
                roll_id=row["copy_roll_id"],
                drive=_drive(row),
                folder=bytes(row["copy_folder"]),
                role=row["copy_role"],
                state=row["copy_state"],
                readback=Evidence(row["copy_readback"]) if row["copy_readback"] else None,
                why=row["copy_why"],
                state_at=moment(row["copy_state_at"]),
                seen_at=_maybe(row["copy_seen_at"]),
                seen_here=trust.vouches(row["copy_seen_by"], row["copy_seen_at"]),
                gone_at=_maybe(row["copy_gone_at"]),
                states={word.offload_id: word.state for word in states},
                name=row["copy_drive"],
                founder=row["copy_founder"],
                proven_at=_maybe(row["copy_proven_at"]),
            )
        )
    return result


def _drive(row: RowMapping) -> KnownDrive:
    return KnownDrive(
        id=row["id"],
        identity=DriveIdentity(
            device_key=row["device_key"],
            volume_serial=row["volume_serial"],
            kind=row["kind"],
            model=row["model"],
            serial=row["serial"],
            size_bytes=row["size_bytes"],
            volume_label=row["volume_label"],
            file_system=row["file_system"],
            capacity_bytes=row["capacity_bytes"],
            source=row["source"],
            boot_id=row["boot_id"],
            device_number=row["device_number"],
        ),
        drive=row["drive"],
        role=row["role"],
        first_seen_at=moment(row["first_seen_at"]),
        last_seen_at=moment(row["last_seen_at"]),
    )


def digests(connection: Connection, copy_id: int, kind: str | None = None) -> dict[int, list[str]]:
    """The digests of a copy's records by number, from the last clean verify on; of one kind only, where it is given."""
    found: dict[int, list[str]] = {}
    records = tables.records.c
    # in a whole chain that record vouches for all before it, and a full clean verify puts losses behind it
    settled = select(func.max(records.id)).where(
        records.copy_id == copy_id, records.kind.in_(("verify", "receive")), records.verdict == "proven"
    )
    query = select(records.sequence, records.sha256).where(
        records.copy_id == copy_id, records.id >= func.coalesce(settled.scalar_subquery(), 0)
    )
    if kind is not None:
        query = query.where(records.kind == kind)
    for number, sha256 in connection.execute(query.order_by(records.sequence, records.id)):
        found.setdefault(number, []).append(sha256)
    return found


def records_of(connection: Connection, copy_id: int) -> list[RecordFact]:
    """Every record that a copy's chain was seen with, in the order in which this ledger learned of them."""
    records = tables.records.c
    query = select(records.sequence, records.sha256, records.name, records.kind).where(records.copy_id == copy_id)
    return [
        RecordFact(row.sequence, row.sha256, row.name, row.kind == "offload")
        for row in connection.execute(query.order_by(records.id))
    ]


def damaged_clips(connection: Connection, roll_ids: list[int]) -> set[str]:
    """Clips of these rolls that were called damaged."""
    query = (
        select(tables.clips.c.name)
        .join(tables.offloads, tables.offloads.c.id == tables.clips.c.offload_id)
        .where(tables.offloads.c.roll_id.in_(roll_ids), tables.clips.c.health == "damaged")
    )
    return set(connection.execute(query).scalars())


def clip_health(connection: Connection, offload_ids: list[int]) -> dict[str, str]:
    """What these runs called each clip; of several words the worst."""
    query = select(tables.clips.c.name, tables.clips.c.health).where(tables.clips.c.offload_id.in_(offload_ids))
    found: dict[str, str] = {}
    rank = {"damaged": 2, "sound": 1}
    for name, health in connection.execute(query):
        if rank.get(health, 0) >= rank.get(found.get(name, ""), 0):
            found[name] = health
    return found


def clips_of(connection: Connection, offload_id: int) -> list[ClipNote]:
    """The clips of one run in its order."""
    clips = tables.clips
    query = select(clips).where(clips.c.offload_id == offload_id).order_by(clips.c.position)
    return [
        ClipNote(
            row["name"], row["files"], row["size_bytes"], row["health"], *(row[name] for name in tables.CLIP_FACTS)
        )
        for row in connection.execute(query).mappings()
    ]


def paces(connection: Connection, roll_id: int) -> dict[int, list[PaceNote]]:
    """How fast each copy of a roll was made, by the copy's id, oldest first."""
    found: dict[int, list[PaceNote]] = {}
    query = (
        select(tables.paces)
        .join(tables.copies, tables.copies.c.id == tables.paces.c.copy_id)
        .where(tables.copies.c.roll_id == roll_id)
        .order_by(tables.paces.c.started_at)
    )
    for row in connection.execute(query).mappings():
        found.setdefault(row["copy_id"], []).append(
            PaceNote(
                row["leg"],
                moment(row["started_at"], row["offset_minutes"]),
                row["seconds"],
                row["size_bytes"],
                row["stretch_seconds"],
                tuple(int(size) for size in row["stretches"].split()),
            )
        )
    return found


def drives_like(connection: Connection, identity: DriveIdentity) -> list[KnownDrive]:
    """Drives with the same device or volume, the exact one first, then the last seen."""
    devices = tables.devices
    same = [devices.c.identity == identity.text]
    if identity.device_key is not None:
        same.append(devices.c.device_key == identity.device_key)
    if identity.volume_serial is not None:
        same.append(devices.c.volume_serial == identity.volume_serial)
    exact = case((devices.c.identity == identity.text, 0), else_=1)
    query = select(devices).where(or_(*same)).order_by(exact, devices.c.last_seen_at.desc())
    return [_drive(row) for row in connection.execute(query).mappings()]


def drives_mounted_from(
    connection: Connection, source: str, boot_id: str | None, device_number: int
) -> list[KnownDrive]:
    """Drives seen in one boot behind one device node, the last seen first."""
    devices = tables.devices.c
    same = (devices.source == source, devices.boot_id == boot_id, devices.device_number == device_number)
    query = select(tables.devices).where(*same).order_by(devices.last_seen_at.desc(), devices.id.desc())
    return [_drive(row) for row in connection.execute(query).mappings()]


def drives_labelled(connection: Connection, label: str) -> list[KnownDrive]:
    """Drives whose volume has this name, the last seen first."""
    devices = tables.devices
    query = select(devices).where(devices.c.volume_label == label).order_by(devices.c.last_seen_at.desc())
    return [_drive(row) for row in connection.execute(query).mappings()]
