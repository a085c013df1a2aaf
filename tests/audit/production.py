"""A whole production as it lies on its drives at wrap: three units, twelve days, 150 rolls, six drives.

Records and manifests are written by the tool's own functions; only the footage is made up, a few bytes a clip. Devices
are invented: each folder below the top is a drive of its own, on a device of its own.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import xxhash

from rollproof.ascmhl.model import Creator, FileHash, Generation, Process
from rollproof.ascmhl.write import write_generation
from rollproof.drives.interface import Partition
from rollproof.models.volumes import Device, Evidence, MediumWay, Volume
from rollproof.records.blocks import copy_block, source_block
from rollproof.records.models import (
    By,
    CopyBlock,
    Counted,
    DigestBlock,
    FindingBlock,
    OffloadHeader,
    PermitHeader,
    Policy,
    RecordName,
    Station,
    Totals,
)
from rollproof.records.rows import ClipRow, FileRow, FilesDigest
from rollproof.records.signing import Signer
from rollproof.records.write import WrittenRecord, append_record
from rollproof.storage.io import Io
from rollproof.storage.system import system_io
from rollproof.tree.ignore import IgnoreRules

NAME = "The Bell Foundry"
FIRST_DAY = datetime(2026, 5, 3, 18, 0, tzinfo=UTC)
DAYS = 12
DRIVES = ("MAIN_1", "MAIN_2", "SECOND_1", "SECOND_2", "SHUTTLE", "ARCHIVE")
_OF_UNIT = {"main": ("MAIN_1", "MAIN_2"), "second": ("SECOND_1", "SECOND_2"), "aerial": ("SECOND_1", "SECOND_2")}
_SERIES = {"main": "AAABBS", "second": "CCDDT", "aerial": "E"}
_PATTERNS = IgnoreRules(of_copy=True).patterns
BY = By(name="", role="data wrangler")
STATION = Station(host="cart", version="0.1.0", os="Linux", id="cart")


@dataclass(frozen=True)
class ToShoot:
    """A roll as it was shot. `content` gives clips their content; two rolls with one content hold the same clips."""

    name: str
    day: int
    unit: str
    content: str = ""
    serial: str = ""
    clips: int = 2
    stem: str = ""
    damaged: tuple[int, ...] = ()
    """Clips, by number, that the look at the offload found damaged."""
    lacking: tuple[int, ...] = ()
    """Clips that were not on the card, though those around them were."""

    @property
    def date(self) -> str:
        """The shooting day."""
        return f"{FIRST_DAY + timedelta(days=self.day - 1):%Y-%m-%d}"

    @property
    def written_at(self) -> datetime:
        """When it was offloaded."""
        return FIRST_DAY + timedelta(days=self.day - 1, minutes=int(self.name[1:]) % 60)

    @property
    def folder(self) -> str:
        """The roll folder on every drive."""
        return f"{NAME}/{self.date}/{self.name}"

    @property
    def drives(self) -> tuple[str, ...]:
        """The drives it was offloaded to."""
        return (*_OF_UNIT[self.unit], "SHUTTLE")

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers of the clips on its card."""
        return tuple(number for number in range(1, self.clips + 1) if number not in self.lacking)

    def files(self) -> dict[str, bytes]:
        """Its files by path."""
        suffix = "wav" if self.name[0] in "ST" else "mov"
        out: dict[str, bytes] = {}
        for number in self.numbers:
            clip = f"{self.stem or self.name}C{number:03}"
            out[f"CLIP/{clip}.{suffix}"] = f"{self.content or self.name} clip {number} ".encode() * 4
            out[f"CLIP/{clip}.xml"] = f"<clip>{clip}</clip>".encode()
        return dict(sorted(out.items()))


def schedule() -> list[ToShoot]:
    """All 150 rolls: each series counts on through the production."""
    counts: dict[str, int] = {}
    rolls = []
    for day in range(1, DAYS + 1):
        for unit, letters in _SERIES.items():
            series = letters + ("E" if unit == "aerial" and day % 2 else "")
            for letter in series:
                counts[letter] = counts.get(letter, 0) + 1
                rolls.append(ToShoot(f"{letter}{counts[letter]:03}", day, unit))
    return rolls


class InventedDrives:
    """`Drives` for folders below one top: each is a volume on its own device. `since` is the boot they are seen in."""

    name = "invented"

    def __init__(self, top: Path, *, boot: str = "boot-2", read_only: Sequence[str] = ()) -> None:
        self.top = os.path.realpath(os.fsencode(top))
        self.boot = boot
        self.read_only = tuple(read_only)
        self.one_device: tuple[str, ...] = ()

    def volume(self, name: str) -> Volume:
        """The drive of that name."""
        mount = os.path.join(self.top, name.encode())
        device = "both" if name in self.one_device else name
        return Volume(
            mount_point=mount,
            mount_root=b"/",
            source=f"/dev/{name}",
            file_system="ext4",
            options=frozenset({"rw"}),
            read_only=name in self.read_only,
            capacity_bytes=4 << 40,
            free_bytes=3 << 40,
            serial=f"uuid-{name}",
            label=name,
            device=Device(key=f"disk:{device}", kind="disk", node=f"/dev/{name}", model="Bell Disk", serial=device),
            st_dev=1000 + DRIVES.index(name) if name in DRIVES else 2000,
            way=MediumWay.DIRECT,
            boot_id=self.boot,
        )

    def volume_of(self, path: bytes) -> Volume:
        """See `Drives`."""
        real = os.path.realpath(path)
        if not os.path.exists(real):
            raise FileNotFoundError(2, os.strerror(2), path)
        name = os.path.relpath(real, self.top).split(b"/")[0].decode()
        volume = self.volume(name)
        return replace(volume, is_mount_root=real == volume.mount_point)

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See `Drives`."""
        return [self.volume(name) for name in DRIVES]

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See `Drives`."""
        return self.boot, None

    def slept_seconds(self) -> float | None:
        """See `Drives`."""
        return 0.0

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See `Drives`."""
        return []

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See `Drives`."""
        return []


def unflushed() -> Io:
    """The system's calls without flushes: nobody pulls a plug while a test production is made."""

    class Unflushed(type(system_io())):  # type: ignore[misc]
        def flush(self, handle: int) -> None:
            return

        def flush_volume(self, handle: int) -> None:
            return

    io: Io = Unflushed()
    return io


@dataclass
class Made:
    """A production on its drives. `boot` is that of the offloads."""

    top: Path
    signer: Signer
    io: Io = field(default_factory=unflushed)

    def __post_init__(self) -> None:
        self.then = InventedDrives(self.top, boot="boot-1")
        self.now = InventedDrives(self.top)

    @property
    def paths(self) -> tuple[bytes, ...]:
        """Every drive's folder."""
        return tuple(os.fsencode(self.top / name) for name in DRIVES)

    def at(self, drive: str, roll: ToShoot | str) -> Path:
        """The roll folder on a drive."""
        wanted = roll if isinstance(roll, ToShoot) else next(each for each in schedule() if each.name == roll)
        return self.top / drive / wanted.folder

    def build(self, rolls: Sequence[ToShoot]) -> None:
        """Offload these rolls to their drives, permit their cards, and copy the first days of main to the archive with
        a tool of somebody else's."""
        for name in DRIVES:
            (self.top / name / NAME).mkdir(parents=True, exist_ok=True)
        for roll in rolls:
            self.offload(roll)
            if roll.unit == "main" and roll.day <= 3:
                self.copy_elsewhere(roll)

    # --- one roll

    def offload(self, roll: ToShoot, *, permit: bool = True) -> None:
        """The roll on all its drives, with record, manifest and permit."""
        written = [(drive, self.copy(drive, roll, roll.files())) for drive in roll.drives]
        if permit:
            for drive in roll.drives:
                self.permit(drive, roll, written)

    def copy(
        self,
        drive: str,
        roll: ToShoot,
        content: dict[str, bytes],
        *,
        manifest: dict[str, bytes] | None = None,
        later: timedelta = timedelta(0),
        signer: Signer | None = None,
    ) -> WrittenRecord:
        """One copy as an offload leaves it; `manifest` is what the manifest says where that is not the record's."""
        folder = self.at(drive, roll)
        modified_ns = self.lay_out(folder, roll, content)
        with self.opened(folder) as handle:
            self.manifest(handle, folder, roll, manifest or content, modified_ns, later)
            rows = [
                FileRow(path.encode(), len(data), modified_ns, {"xxh128": _hash(data)}, True)
                for path, data in content.items()
            ]
            return append_record(
                self.io,
                handle,
                self.header(drive, roll, rows, later),
                rows,
                clips=[
                    ClipRow(
                        f"{roll.name}C{number:03}", 2, 100, health="damaged" if number in roll.damaged else "unknown"
                    )
                    for number in roll.numbers
                ],
                signer=signer or self.signer,
            )

    def lay_out(self, folder: Path, roll: ToShoot, content: dict[str, bytes]) -> int:
        """The files alone; returns their date."""
        modified_ns = int(roll.written_at.timestamp()) * 1_000_000_000 - 3_600_540_000_000
        (folder / "CLIP").mkdir(parents=True, exist_ok=True)
        for path, data in content.items():
            (folder / path).write_bytes(data)
            os.utime(folder / path, ns=(modified_ns, modified_ns))
        return modified_ns

    def header(self, drive: str, roll: ToShoot, rows: Sequence[FileRow], later: timedelta) -> OffloadHeader:
        """The header of an offload record."""
        digest = FilesDigest("xxh128")
        for row in rows:
            digest.add(row.path, row.size, row.hashes["xxh128"])
        blocks = {name: self.block(name, roll) for name in roll.drives}
        return OffloadHeader(
            written_at=roll.written_at + later,
            by=BY,
            station=STATION,
            production=NAME,
            roll=roll.name,
            source=source_block(
                replace(self.then.volume("MAIN_1"), serial=roll.serial or f"card-{roll.name}", label=roll.name),
                reads=[Evidence.MEDIUM, Evidence.MEDIUM],
                listing_digest=hashlib.sha256(f"{roll.name} {roll.serial}".encode()).hexdigest(),
            ),
            policy=Policy(),
            copy_=blocks.get(drive) or self.block(drive, roll),
            other_copies=tuple(block for name, block in blocks.items() if name != drive),
            findings=tuple(
                FindingBlock(
                    kind="clip-numbers-gap",
                    severity="warning",
                    path=f"{roll.name}C{number:03}",
                    detail=f"1 clip is missing in the counting of {roll.name}: number {number}",
                    count=1,
                )
                for number in roll.lacking
            ),
            totals=Totals(files=len(rows), bytes=sum(row.size for row in rows), proven=len(rows)),
            files_digest=DigestBlock(algorithm="xxh128", sha256=digest.text()),
            day=roll.date,
            unit=roll.unit,
            ignore=_PATTERNS,
        )

    def block(self, drive: str, roll: ToShoot) -> CopyBlock:
        """How records speak of a copy."""
        return copy_block(
            self.then.volume(drive),
            drive=drive,
            role=drive.lower(),
            state="proven",
            readback=Evidence.MEDIUM,
            folder=roll.folder.encode(),
        )

    def permit(
        self, drive: str, roll: ToShoot, written: Sequence[tuple[str, WrittenRecord | RecordName]]
    ) -> WrittenRecord:
        """The card may be wiped: these copies were counted."""
        header = PermitHeader(
            written_at=roll.written_at + timedelta(hours=1),
            by=BY,
            station=STATION,
            production=NAME,
            roll=roll.name,
            basis="listing",
            source=source_block(self.then.volume("MAIN_1"), reads=[], listing_digest="ab" * 32),
            policy=Policy(),
            counted=tuple(
                Counted(
                    copy_=self.block(name, roll),
                    attached=True,
                    seen_at=roll.written_at + timedelta(hours=1),
                    record=RecordName(name=record.name, sequence=record.sequence, sha256=record.sha256),
                )
                for name, record in written
            ),
            totals=Totals(files=4, bytes=400),
        )
        with self.opened(self.at(drive, roll)) as handle:
            return append_record(self.io, handle, header, signer=self.signer)

    def manifest(
        self,
        handle: int,
        folder: Path,
        roll: ToShoot,
        content: dict[str, bytes],
        modified_ns: int,
        later: timedelta = timedelta(0),
        tool: str = "rollproof",
        folders: Sequence[bytes] = (b"CLIP",),
    ) -> None:
        """A generation of the open standard."""
        generation = Generation(
            process=Process.TRANSFER,
            started_at=roll.written_at + later,
            creator=Creator(host="cart", tool=tool, tool_version="1"),
            algorithms=("xxh128",),
            files=[
                FileHash(path.encode(), len(data), modified_ns, {"xxh128": _hash(data)})
                for path, data in content.items()
            ],
            folders=folders,
            ignore_patterns=_PATTERNS,
        )
        write_generation(self.io, handle, os.fsencode(folder.name), generation)

    def copy_elsewhere(self, roll: ToShoot) -> None:
        """A copy on the archive that another tool made: files and a history of the open standard, no records."""
        folder = self.at("ARCHIVE", roll)
        modified_ns = self.lay_out(folder, roll, roll.files())
        with self.opened(folder) as handle:
            self.manifest(handle, folder, roll, roll.files(), modified_ns, timedelta(days=1), "another tool")

    @contextmanager
    def opened(self, folder: Path) -> Iterator[int]:
        """The handle of a folder."""
        handle = self.io.open_root(os.fsencode(folder))
        try:
            yield handle
        finally:
            self.io.close(handle)


def _hash(data: bytes) -> str:
    return xxhash.xxh3_128_hexdigest(data)


def any_kind(result: Any) -> set[tuple[str, str]]:
    """Kind and roll of every finding."""
    return {(finding.kind, finding.roll) for finding in result.findings}
