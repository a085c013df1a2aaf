"""What each file system can hold: names, sizes, time stamps.

Measured on Linux where `io-facts.md` of the design says so; the rest from the published format specifications.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from rollproof.drives.ways import is_network
from rollproof.models.volumes import Limits

_FAT_FORBIDDEN = frozenset('"*/:<>?\\|')
_WINDOWS_RESERVED = frozenset(
    {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"}
    | {f"{port}{number}" for port in ("COM", "LPT") for number in (*range(10), "¹", "²", "³")}
)
_SECOND = 1_000_000_000

_POSIX = Limits(max_name_bytes=255)

_FAT_EPOCH = 315_532_800 * _SECOND  # 1980-01-01: FAT and exFAT time stamps begin there

# exFAT specification 7.7.3: the characters a name cannot have; 7.4.8: times in 10 ms, which FUSE drivers cut to 1–2 s
_EXFAT = Limits(
    max_name_bytes=None,
    max_name_utf16=255,
    forbidden=_FAT_FORBIDDEN,
    forbids_control=True,
    needs_utf8=True,
    folds_case=True,
    timestamp_ns=10_000_000,
    earliest_ns=_FAT_EPOCH,
)
_EXFAT_FUSE = replace(_EXFAT, timestamp_ns=2 * _SECOND)
_FAT32 = replace(_EXFAT, max_file_bytes=(1 << 32) - 1, timestamp_ns=2 * _SECOND, trailing_dot_or_space=False)
_NTFS = Limits(max_name_bytes=None, max_name_utf16=255, needs_utf8=True, timestamp_ns=100)
_HFS_PLUS = Limits(
    max_name_bytes=None,
    max_name_utf16=255,
    needs_utf8=True,
    folds_case=True,
    folds_unicode=True,
    timestamp_ns=_SECOND,
)
_APFS = Limits(max_name_bytes=255, needs_utf8=True, folds_case=True, folds_unicode=True)
_NETWORK = Limits(max_name_bytes=255, timestamp_ns=2 * _SECOND)  # whatever the server has, FAT at worst

_KNOWN = {
    "exfat": _EXFAT,
    "fuse.exfat": _EXFAT_FUSE,
    "vfat": _FAT32,
    "msdos": _FAT32,
    "fat": _FAT32,
    "fat32": _FAT32,
    "ntfs": _NTFS,
    "ntfs3": _NTFS,
    "fuse.ntfs": _NTFS,
    "refs": _NTFS,
    "hfs+": _HFS_PLUS,
    "hfs": _HFS_PLUS,
    "hfsplus": _HFS_PLUS,
    "apfs": _APFS,
    "ext3": replace(_POSIX, timestamp_ns=_SECOND, max_file_bytes=2 << 40),
    "ext2": replace(_POSIX, timestamp_ns=_SECOND, max_file_bytes=2 << 40),
    "ext4": replace(_POSIX, max_file_bytes=16 << 40),
    # a FUSE file system on a block device whose content could not be read: cards and shuttle drives are mostly exFAT
    "fuseblk": _EXFAT_FUSE,
}


def limits_for(
    file_system: str,
    *,
    options: Collection[str] = (),
    allocation_bytes: int | None = None,
    system: str = "linux",
    case_sensitive: bool | None = None,
) -> Limits:
    """The limits of a file system on `system` (`linux`, `macos`, `windows`).

    `allocation_bytes` is the volume's own allocation unit where known. `case_sensitive` overrides what is usual for
    the file system, for the systems that tell (APFS and HFS+ exist in both forms). Unknown file systems get the limits
    common to POSIX.
    """
    name = file_system.lower()
    limits = _KNOWN.get(name, _NETWORK if is_network(name) else _POSIX)
    if name in {"exfat", "vfat"} and system == "linux" and "keep_last_dots" not in options:
        limits = replace(limits, trailing_dot_or_space=False)  # the kernel drivers drop trailing dots
    if system == "windows" or "windows_names" in options:
        limits = replace(
            limits,
            max_name_bytes=None,
            max_name_utf16=255,
            forbidden=limits.forbidden | _FAT_FORBIDDEN,
            forbids_control=True,
            needs_utf8=True,
            folds_case=limits.folds_case or system == "windows",
            trailing_dot_or_space=False,
            reserved_names=_WINDOWS_RESERVED,
        )
    if system == "macos" and name in {"exfat", "vfat", "msdos"}:
        limits = replace(limits, folds_unicode=True, timestamp_ns=2 * _SECOND)
    if case_sensitive is not None:
        limits = replace(limits, folds_case=not case_sensitive)
    if allocation_bytes and 512 <= allocation_bytes <= 32 << 20:  # exFAT's largest cluster is 32 MiB
        limits = replace(limits, allocation_bytes=allocation_bytes)
    return limits
