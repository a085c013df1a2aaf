"""A desk with drives that are folders: plugged in, swapped and cloned by renaming, each with a device of its own.

The real workflows run on it through their own seams. What a real machine would say of its devices is said here by the
drives themselves, and a flush does nothing: for thousands of short stories, not for claims about devices.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from rollproof.drives.interface import Partition
from rollproof.models.volumes import Device, Limits, MediumWay, Volume
from rollproof.storage.posix import LinuxIo

CAPACITY_BYTES = 1 << 30
BOOT = "the boot of this story"


class QuickIo(LinuxIo):
    """Real calls, without waiting for a disk: nothing is flushed, and a direct read is any read."""

    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        return super().open_read(name, folder, direct=False)

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        return super().create(name, folder, direct=False)

    def bypasses_direct(self, handle: int) -> bool:
        return False

    def flush(self, handle: int) -> None:
        pass

    def flush_volume(self, handle: int) -> None:
        pass


@dataclass
class Thing:
    """A card, or one volume on a drive. Two with one `device` are partitions of one disk (empty: it cannot be told);
    two with one `serial` are clones. `sequence` is the disk sequence number: another one each time it is plugged in."""

    name: str
    device: str
    serial: str
    number: int
    shelf: Path
    way: MediumWay = MediumWay.DIRECT
    label: str = ""
    sequence: int = 0
    slot: Path | None = None

    @property
    def top(self) -> Path:
        """Where its files are now: at its mount point, or on the shelf."""
        return self.slot or self.shelf

    def used_bytes(self) -> int:
        """What its files take."""
        return sum(path.lstat().st_size for path in self.top.rglob("*") if path.is_file())


@dataclass
class Desk:
    """`Drives` of this desk. Things lie on the shelf until they are plugged in. `boot`, `inside` (mounts inside the
    card) and `others` (its other partitions) are what it says when it is asked; None: it cannot tell."""

    folder: Path
    things: list[Thing] = field(default_factory=list)
    name: str = "desk"
    plugged: int = 0
    boot: str | None = BOOT
    slept: float | None = 0.0
    """For how many seconds the computer has slept since it was started."""
    inside: list[bytes] | None = field(default_factory=list)
    others: list[Partition] | None = field(default_factory=list)
    asked: Callable[[str], None] = lambda question: None
    """Called at each question, with its name."""

    def thing(self, name: str, device: str, *, way: MediumWay = MediumWay.DIRECT, serial: str = "") -> Thing:
        """A new, empty card or drive on the shelf."""
        number = len(self.things) + 1
        made = Thing(name, device, serial or f"serial-{number}", 4_000 + number, self.folder / f"shelf-{number}", way)
        made.shelf.mkdir(parents=True)
        self.things.append(made)
        return made

    def plug_in(self, thing: Thing, at: str) -> None:
        """Mount it; whatever was there is unplugged first."""
        slot = self.folder / "mnt" / at
        for other in self.things:
            if other.slot == slot:
                self.unplug(other)
        slot.parent.mkdir(exist_ok=True)
        self.unplug(thing)
        thing.shelf.rename(slot)
        self.plugged += 1
        thing.slot, thing.sequence = slot, self.plugged

    def unplug(self, thing: Thing) -> None:
        """Back to the shelf."""
        if thing.slot is not None:
            thing.slot.rename(thing.shelf)
            thing.slot = None

    def at(self, path: bytes) -> Thing | None:
        """What is plugged in at or above a path."""
        real = Path(os.fsdecode(os.path.realpath(path)))
        return next((one for one in self.things if one.slot is not None and real.is_relative_to(one.slot)), None)

    def _volume(self, thing: Thing, *, root: bool) -> Volume:
        assert thing.slot is not None
        node = f"disk-{thing.device}"
        return Volume(
            mount_point=os.path.realpath(os.fsencode(thing.slot)),
            mount_root=b"/",
            source=f"/dev/{node}-{thing.number}",
            file_system="ext4",
            options=frozenset(),
            read_only=False,
            capacity_bytes=CAPACITY_BYTES,
            free_bytes=CAPACITY_BYTES - thing.used_bytes(),
            serial=thing.serial or None,
            label=thing.label,
            device=Device(thing.device or None, "disk", node, size_bytes=CAPACITY_BYTES, disk_sequence=thing.sequence),
            st_dev=thing.number,
            is_mount_root=root,
            way=thing.way,
            limits=Limits(allocation_bytes=512),
            boot_id=self.boot,
        )

    # --- Drives
    def volume_of(self, path: bytes) -> Volume:
        """See `Drives`."""
        self.asked("volume_of")
        os.stat(path)
        thing = self.at(path)
        if thing is None:
            raise FileNotFoundError(2, "nothing is mounted there", path)
        return self._volume(thing, root=os.path.realpath(path) == os.path.realpath(os.fsencode(thing.slot or b"")))

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See `Drives`."""
        self.asked("volumes")
        return [self._volume(thing, root=True) for thing in self.things if thing.slot is not None]

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See `Drives`."""
        thing = self.at(volume.mount_point)
        return (self.boot, thing.sequence or None) if thing is not None else (None, None)

    def slept_seconds(self) -> float | None:
        """See `Drives`."""
        return self.slept

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See `Drives`."""
        return self.others

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See `Drives`."""
        if self.inside is None:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return self.inside
