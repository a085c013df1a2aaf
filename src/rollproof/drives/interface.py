"""What this room offers on every operating system: which volume a path lies on, and which device the volume lies on.

`linux.py`, `macos.py` and `windows.py` implement `Drives`; `system_drives()` picks. Whatever cannot be told is said to
be unknown (None), never guessed: "unknown" keeps a card, a guess may wipe it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from rollproof.models.volumes import Volume


@dataclass(frozen=True, slots=True)
class Partition:
    """Another part of a medium: beside the volume asked about, on the same device.

    `node` is the device node (or what the system calls it), `number` the partition number where it has one.
    `file_system` is lower case, None when nothing was recognised. `mount_points` is empty when it is not mounted.
    `is_system` is True for an EFI or reserved partition as computers make them, which holds no footage.
    """

    node: str
    number: int | None
    size_bytes: int
    file_system: str | None
    label: str
    mount_points: tuple[bytes, ...] = ()
    is_system: bool = False


class Drives(Protocol):
    """Answers about volumes and devices of one machine, as of the moment of the call. Nothing is cached."""

    name: str
    """`linux`, `macos`, `windows`, or what a test calls itself."""

    def volume_of(self, path: bytes) -> Volume:
        """The volume an existing file or folder lies on, found by its real path (links followed).

        Raises OSError (FileNotFoundError) when there is nothing at `path`, or when no mount holds it.
        `device.key` is None when the device could not be told.
        """
        ...

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """The attached volumes a person would call a drive, by mount point; with `everything`, all mounts.

        Each mounted file system appears once. A volume that does not answer in time is listed with capacity 0.
        """
        ...

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """(boot id, disk sequence number) at this moment, for the device that is *now* behind the volume's mount.

        Another pair than recorded at a write shows that the medium was away since. A part that cannot be told is
        None, and None never shows anything: compare only values that are both known. (None, None) when nothing is
        mounted there any more.
        """
        ...

    def slept_seconds(self) -> float | None:
        """How long the computer has slept since it was started; None where that cannot be told."""
        ...

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """The other partitions of the volume's device, mounted or not; None when that could not be told."""
        ...

    def mounts_below(self, path: bytes) -> list[bytes]:
        """Mount points strictly below `path` (its real path), in byte order: other file systems inside a folder."""
        ...
