"""Drives and their devices, as far as they could be told."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Evidence(StrEnum):
    """How a read was answered, strongest first."""

    MEDIUM = "medium"
    SERVER = "server"
    CACHE = "cache"


class MediumWay(StrEnum):
    """How a read on a volume can earn the evidence `medium`; see `io-facts.md`, *Reading from the medium*."""

    DIRECT = "direct"
    """Direct I/O reaches the device (ext4, xfs, kernel exfat, vfat, ntfs3)."""
    DIRECT_AFTER_EVICTION = "direct-after-eviction"
    """Direct I/O, after the file's pages were dropped and shown to be gone (btrfs)."""
    DEVICE_PAGES_DROPPED = "device-pages-dropped"
    """A FUSE file system on a block device: direct I/O, after the device pages were dropped and shown to be gone."""
    MACOS_INVALIDATED = "macos-invalidated"
    """msync(MS_INVALIDATE), nothing resident, then F_NOCACHE (local APFS, HFS+, exFAT on macOS)."""
    WINDOWS_UNBUFFERED = "windows-unbuffered"
    """FILE_FLAG_NO_BUFFERING (local NTFS, exFAT, ReFS on Windows)."""
    SERVER = "server"
    """A network volume: the server at best."""
    NONE = "none"
    """Nothing known: every read counts as `cache`."""


@dataclass(frozen=True, slots=True)
class Device:
    """A physical device (or what stands for one).

    `key` is equal for two volumes exactly when they share one device; None when it could not be told (overlay,
    tmpfs, network): unidentified is not the same as different. `kind` is `disk`, `loop`, `network`, `memory` or
    `unknown`. `beneath` is the key of the disk below a loop device or disk image: an image on the computer's own disk
    has a key of its own, one on any other drive has that drive's (`proof.devices.image_on`).
    """

    key: str | None
    kind: str = "unknown"
    node: str = ""
    model: str = ""
    serial: str = ""
    size_bytes: int | None = None
    rotational: bool | None = None
    disk_sequence: int | None = None
    beneath: str | None = None
    label: str = ""
    """How a person would name it: model and node, or 'disk image X on …'."""
    cached_beneath: bool = False
    """Whether what is read of it may come from the cache of another mounted drive, on which it lies as an image."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a file system can hold. Lengths are for one name component."""

    max_file_bytes: int | None = None
    max_name_bytes: int | None = 255
    max_name_utf16: int | None = None
    forbidden: frozenset[str] = frozenset()
    forbids_control: bool = False
    needs_utf8: bool = False
    folds_case: bool = False
    folds_unicode: bool = False
    trailing_dot_or_space: bool = True
    reserved_names: frozenset[str] = frozenset()
    timestamp_ns: int = 1
    """Granularity of a modification time, nanoseconds."""
    earliest_ns: int | None = None
    """The earliest modification time that can be held, nanoseconds since the epoch (give or take a time zone);
    earlier ones become this one."""
    allocation_bytes: int = 4096
    """Allocation unit, for the estimate of space."""


@dataclass(frozen=True, slots=True)
class Volume:
    """A mounted file system and the device it lies on.

    `file_system` is lower case: `ext4`, `xfs`, `btrfs`, `exfat`, `vfat`, `ntfs3`, `fuse.exfat`, `fuse.ntfs`,
    `tmpfs`, `overlay`, `nfs` … (a FUSE file system on a block device is named by what lies on that device).
    `serial` is the volume's UUID or serial number. `source` is the device node or share it was mounted from.
    """

    mount_point: bytes
    mount_root: bytes
    source: str
    file_system: str
    options: frozenset[str]
    read_only: bool
    capacity_bytes: int
    free_bytes: int
    serial: str | None
    label: str
    device: Device
    st_dev: int
    is_mount_root: bool = False
    """Whether the path asked about is itself the root of this mount."""
    way: MediumWay = MediumWay.NONE
    limits: Limits = field(default_factory=Limits)
    boot_id: str | None = None
    reserved_bytes: int = 0
    """Room that is free and kept from ordinary users: neither in `free_bytes` nor used by any file."""
    may_see_cached_pages: bool = True
    """False where this process may not ask which pages of the device node are cached; see `drives.cached_pages`."""
    refused: bool = False
    """Whether this person may not look into it at all; then only the bare facts are known."""
