"""Records, volumes and rolls as data: a documentary about a bell foundry."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rollproof.models.volumes import Device, Evidence, MediumWay, Volume
from rollproof.records.blocks import copy_block, source_block
from rollproof.records.models import (
    By,
    CopyState,
    Header,
    OffloadHeader,
    Policy,
    RecordName,
    Station,
    Totals,
    VerifyHeader,
    WithdrawHeader,
)
from rollproof.records.rows import ClipRow, FileRow
from rollproof.records.write import WrittenRecord, append_record
from rollproof.storage.io import Io
from rollproof.storage.system import system_io

WHEN = datetime(2026, 5, 14, 8, 15, 2, tzinfo=UTC)
MOMENT_NS = 1_778_746_502_540_000_000


def drive(name: str = "primary", **changes: Any) -> Volume:
    """An attached drive; two names are two devices."""
    device = Device(key=f"disk:{name}", kind="disk", node="/dev/sdx1", model="Bell Disk", serial=f"S-{name}")
    volume = Volume(
        mount_point=b"/mnt/" + name.encode(),
        mount_root=b"/",
        source="/dev/sdx1",
        file_system="ext4",
        options=frozenset({"rw"}),
        read_only=False,
        capacity_bytes=4 << 40,
        free_bytes=3 << 40,
        serial=f"uuid-{name}",
        label=name.upper(),
        device=device,
        st_dev=2065,
        way=MediumWay.DIRECT,
        boot_id="boot-1",
    )
    return replace(volume, **changes)


def card(**changes: Any) -> Volume:
    """The card in the reader."""
    return drive("A003", file_system="exfat", read_only=True, **changes)


def row(path: bytes | str, *, size: int = 5, proven: bool = True, **more: Any) -> FileRow:
    """A file of the roll."""
    name = path if isinstance(path, bytes) else path.encode()
    return FileRow(name, size, MOMENT_NS, {"xxh128": f"{abs(hash(name)) % (1 << 60):032x}"}, proven, **more)


def rows(*paths: str, proven: bool = True) -> list[FileRow]:
    """Files of the roll in byte order."""
    return [row(path, proven=proven) for path in sorted(paths, key=str.encode)]


ROLL = ("CLIPS/A003C001.mov", "CLIPS/A003C002.mov", "CLIPS/A003C002.xml")


def offload_header(
    volume: Volume | None = None,
    files: Iterable[FileRow] = (),
    *,
    state: CopyState = "proven",
    readback: Evidence | None = Evidence.MEDIUM,
    reads: tuple[Evidence, ...] = (Evidence.MEDIUM, Evidence.MEDIUM),
    roll: str = "A003",
    carried: int = 0,
    policy: Policy | None = None,
    folder: bytes = b"",
    **more: Any,
) -> OffloadHeader:
    """The header of an offload of these files onto a drive."""
    there = list(files)
    proven = sum(file.proven for file in there)
    failed = sum(not file.proven and file.state in ("failed", "incomplete") for file in there)
    totals = Totals(
        files=len(there),
        bytes=min(sum(file.size for file in there), (1 << 63) - 1),
        proven=proven,
        copied=len(there) - proven - failed,
        failed=failed,
        carried=carried,
    )
    return OffloadHeader(
        written_at=WHEN,
        by=By(name="data wrangler", role="camera assistant"),
        station=Station(host="cart", version="0.1.0", os="Linux"),
        production="The Bell Foundry",
        roll=roll,
        source=source_block(card(), reads=reads, listing_digest="ab" * 32),
        policy=policy or Policy(),
        copy_=copy_block(
            volume or drive(), drive="primary", role="primary", state=state, readback=readback, folder=folder
        ),
        totals=totals,
        **more,
    )


def verify_header(
    volume: Volume | None = None,
    *,
    files: int = len(ROLL),
    clean: bool = True,
    readback: Evidence | None = Evidence.MEDIUM,
    card_reads: tuple[Evidence, ...] = (),
    differ_anyway: int = 0,
    folder: bytes = b"",
    **totals: int,
) -> VerifyHeader:
    """The header of a verify of a copy on a drive."""
    state: CopyState = "proven" if clean else "failed"
    return VerifyHeader(
        written_at=WHEN,
        production="The Bell Foundry",
        roll="A003",
        source=source_block(card(), reads=card_reads, listing_digest="ab" * 32) if card_reads else None,
        copy_=copy_block(
            volume or drive(), drive="primary", role="primary", state=state, readback=readback, folder=folder
        ),
        verdict="proven" if clean else "not proven",
        totals=Totals(files=files, bytes=15, differ=differ_anyway if clean else 1, **totals),
    )


def withdraw_header(record: WrittenRecord, kind: Any) -> WithdrawHeader:
    """The header that takes back an earlier record."""
    return WithdrawHeader(
        written_at=WHEN,
        production="The Bell Foundry",
        roll="A003",
        withdraws=RecordName(name=record.name, sequence=record.sequence, sha256=record.sha256),
        withdraws_kind=kind,
        reason="the drive was dropped",
    )


class Roll:
    """A roll folder on a drive, with its handle open."""

    def __init__(self, path: Path, io: Io, handle: int) -> None:
        self.path = path
        self.io = io
        self.handle = handle

    def append(self, header: Header, files: Iterable[FileRow] = (), clips: Iterable[ClipRow] = ()) -> WrittenRecord:
        """Append a record to its chain."""
        return append_record(self.io, self.handle, header, files, clips=clips)

    def offload(self, *files: FileRow, volume: Volume | None = None, **more: Any) -> WrittenRecord:
        """Append an offload record of these files, in order."""
        ordered = sorted(files, key=lambda file: file.path)
        return self.append(offload_header(volume, ordered, **more), ordered)

    def record(self, name: str) -> Path:
        """Where a record lies."""
        return self.path / "rollproof" / name


@contextmanager
def roll_folder(path: Path) -> Iterator[Roll]:
    """A fresh roll folder."""
    path.mkdir(parents=True, exist_ok=True)
    io = system_io()
    handle = io.open_root(os.fsencode(path))
    try:
        yield Roll(path, io, handle)
    finally:
        io.close(handle)
