"""How much room a copy needs on a drive, with all that comes along with it."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from rollproof.models.findings import Finding, Kind, error
from rollproof.models.volumes import Limits

# Measured on our own records and manifests: one line of JSON and one XML element, with a path of ordinary length;
# the longest text form of a hash (C4) has 90 characters, and the record and the manifest hold each hash once.
_TEXT_PER_FILE = 700
_TEXT_PER_HASH = 320
_TEXT_PER_FOLDER = 400
_FOLDER_ENTRY = 512  # a long name in an exFAT folder, or an inode with its entry
_SMALL_FILES = 24  # records, manifest, chain, journal, lock, and the temporary twins of some
_MARGIN_BYTES = 1 << 20
_MARGIN_PART = 1000  # file-system metadata: extents, journals, allocation tables


def bytes_needed(sizes: Iterable[int], folders: int, limits: Limits, algorithms: Collection[str]) -> int:
    """Bytes a roll takes on a drive: each file rounded up to the allocation unit, its entry in a folder, `folders`
    folders, our record and manifest with one hash per algorithm, and a margin of a thousandth plus 1 MiB.

    `sizes` are those of the files still to be written; nothing to write needs nothing but the records.
    """
    unit = max(1, limits.allocation_bytes)
    files = 0
    data = 0
    for size in sizes:
        files += 1
        data += -(-size // unit) * unit
    hashes = max(1, len(algorithms))
    text = files * (_TEXT_PER_FILE + hashes * _TEXT_PER_HASH) + folders * (_TEXT_PER_FOLDER + 2 * hashes * 120)
    entries = files * _FOLDER_ENTRY + (folders + 3) * max(unit, _FOLDER_ENTRY)
    total = data + entries + -(-text // unit) * unit + _SMALL_FILES * unit
    return total + total // _MARGIN_PART + _MARGIN_BYTES


def space_finding(drive: str, needed_bytes: int, free_bytes: int) -> Finding | None:
    """An error when the drive has too little room, else None. Several rolls or folders on one volume: add them up."""
    if needed_bytes <= free_bytes:
        return None
    return error(
        Kind.NO_SPACE,
        f"the drive {drive} has {readable(free_bytes)} free; the copy with its records needs {readable(needed_bytes)},"
        f" {readable(needed_bytes - free_bytes)} more",
        drive=drive,
        remedy="make room there or take another drive; nothing was written",
    )


def readable(size_bytes: int) -> str:
    """A size for people, in the decimal units that drives are sold in."""
    size = float(size_bytes)
    for unit in ("bytes", "kB", "MB", "GB", "TB"):
        if size < 1000 or unit == "TB":
            return f"{size_bytes} bytes" if unit == "bytes" else f"{size:,.1f} {unit}"
        size /= 1000
    raise AssertionError("unreachable")
