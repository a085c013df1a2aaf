"""Writing one run of an offload into the ledger: its roll, its files and clips, and its copies."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any

from sqlalchemy import Connection, select

from rollproof.hashing.algorithms import raw_of
from rollproof.ledger import tables
from rollproof.ledger.entries import FileNote, OffloadNote
from rollproof.ledger.remembering import (
    LARGEST,
    copy,
    find_or_insert,
    findings_of_roll,
    offset_minutes,
    person,
)
from rollproof.ledger.values import insert, seconds

_AT_ONCE = 5000
"""Rows handed to the driver in one go: enough for speed, little enough for memory."""
_FILE_COLUMNS = ("offload_id", "path", "size_bytes", "modified_seconds", "modified_nanos", "hash")
_NANOS = 1_000_000_000


def offload(
    connection: Connection, note: OffloadNote, rows: Iterable[FileNote], station: str
) -> tuple[int, int, tuple[int, ...]]:
    """See `Ledger.remember_offload`; returns the ids of roll, offload and copies."""
    roll_id = _roll(connection, note)
    offload_id = _offload(connection, roll_id, note, rows)
    copies = tuple(copy(connection, roll_id, each, (offload_id,), station) for each in note.copies)
    findings_of_roll(connection, roll_id, None, note.findings, note.written_at)
    return roll_id, offload_id, copies


def _roll(connection: Connection, note: OffloadNote) -> int:
    production = find_or_insert(connection, tables.productions, {"name": note.production or ""}, {})
    key = {
        "production_id": production,
        "name": note.roll,
        "card_key": note.card.serial or f"listing:{note.card.listing_digest}",
    }
    moment = seconds(note.written_at)
    found = find_or_insert(connection, tables.rolls, key, {"first_at": moment, "last_at": moment})
    values: dict[str, Any] = {
        name: value for name in ("day", "unit", "camera") if (value := getattr(note, name)) is not None
    }
    if note.clips:
        values |= {"clips": len(note.clips), "first_clip": note.clips[0].name, "last_clip": note.clips[-1].name}
    rolls = tables.rolls
    if values:
        connection.execute(rolls.update().where(rolls.c.id == found).values(**values))
    connection.execute(rolls.update().where(rolls.c.id == found, rolls.c.first_at > moment).values(first_at=moment))
    connection.execute(rolls.update().where(rolls.c.id == found, rolls.c.last_at < moment).values(last_at=moment))
    return found


def _offload(connection: Connection, roll_id: int, note: OffloadNote, rows: Iterable[FileNote]) -> int:
    card = note.card
    values = {
        "roll_id": roll_id,
        "person_id": person(connection, note.person),
        "station": note.station,
        "written_at": seconds(note.written_at),
        "offset_minutes": offset_minutes(note.written_at),
        "algorithm": note.algorithm,
        "listing_digest": card.listing_digest,
        "volume_name": card.volume_name,
        "serial": card.serial,
        "capacity_bytes": card.capacity_bytes,
        "file_system": card.file_system,
        "boot_id": card.boot_id,
        "disk_sequence": card.disk_sequence,
        "mount_point": card.mount_point,
        "device_number": card.device_number,
        "device_key": card.device_key,
        "source_reads": " ".join(read.value for read in card.reads),
        "copies_required": note.copies_required,
    }
    attempt = connection.begin_nested()
    offload_id = insert(connection, tables.offloads, {**values, "files_digest": ""})
    totals = _files(connection, offload_id, note.algorithm, rows)
    known = connection.execute(
        select(tables.offloads.c.id, tables.offloads.c.copies_required).where(
            tables.offloads.c.roll_id == roll_id,
            tables.offloads.c.id != offload_id,
            tables.offloads.c.listing_digest == card.listing_digest,
            tables.offloads.c.algorithm == note.algorithm,
            tables.offloads.c.files_digest == totals["files_digest"],
        )
    ).first()
    if known is not None:
        attempt.rollback()  # the same files again: keep one set of them, with the newest words about the card
        offload_id = int(known.id)
        offloads = tables.offloads
        newest = offloads.c.written_at <= values["written_at"]
        connection.execute(offloads.update().where(offloads.c.id == offload_id, newest).values(**values))
        # … and with the strictest of what was asked for: a looser policy later takes nothing back
        strictest = max(known.copies_required, note.copies_required)
        connection.execute(offloads.update().where(offloads.c.id == offload_id).values(copies_required=strictest))
        return offload_id
    connection.execute(tables.offloads.update().where(tables.offloads.c.id == offload_id).values(**totals))
    for position, clip in enumerate(note.clips):
        connection.execute(
            tables.clips.insert().values(
                offload_id=offload_id,
                position=position,
                name=clip.name,
                files=clip.files,
                size_bytes=clip.size_bytes,
                health=clip.health,
                **{name: getattr(clip, name) for name in tables.CLIP_FACTS},
            )
        )
    connection.execute(
        tables.rolls.update()
        .where(tables.rolls.c.id == roll_id, tables.rolls.c.files <= totals["files"])
        .values(files=totals["files"], size_bytes=totals["size_bytes"])
    )
    attempt.commit()
    return offload_id


def _files(connection: Connection, offload_id: int, algorithm: str, rows: Iterable[FileNote]) -> dict[str, Any]:
    digest = hashlib.sha256()
    count = size = 0
    # written out once: hundreds of thousands of rows go to the database as they are, without a step for each
    statement = tables.files.insert().compile(connection, column_keys=list(_FILE_COLUMNS))
    assert statement.positiontup == list(_FILE_COLUMNS)
    for batch in _batches(rows):
        values: list[tuple[object, ...]] = []
        for file in batch:
            raw = None if file.hash_text is None else raw_of(algorithm, file.hash_text)
            whole, nanos = divmod(file.modified_ns, _NANOS)
            digest.update(b"%b\0%d\0%d\0%b\n" % (file.path, file.size, file.modified_ns, raw or b""))
            count += 1
            size += file.size
            values.append((offload_id, file.path, file.size, whole, nanos, raw))
        connection.exec_driver_sql(statement.string, values)
    # sparse files can add up to more than a database can hold
    return {"files": count, "size_bytes": min(size, LARGEST), "files_digest": digest.hexdigest()}


def _batches(rows: Iterable[FileNote]) -> Iterator[Sequence[FileNote]]:
    source = iter(rows)
    while batch := list(islice(source, _AT_ONCE)):
        yield batch
