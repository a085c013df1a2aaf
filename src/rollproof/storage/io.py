"""The seam to the operating system: every system call on a card or a drive goes through an `Io`.

Handed in, never imported as a global: tests wrap one to inject faults, and each operating system has its own
implementation behind this one interface (`posix.py`, `macos.py`, `windows.py`; `system_io()` picks).

Rules for implementations: names are single components as bytes (never a path, except `open_root`); nothing follows
a link below an opened root; every failure is an `OSError` with `errno` set; handles are opaque integers.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple, Protocol


class EntryKind(StrEnum):
    """What a name in a folder stands for."""

    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    SPECIAL = "special"


OPEN_TOGETHER = 32
"""What `Io.open_together` is where thousands of files may be open."""


class Stat(NamedTuple):
    """What is known of a file or folder. `device` and `inode` compare only within one boot."""

    kind: EntryKind
    size: int
    modified_ns: int
    device: int
    inode: int
    links: int


class NamedPart(NamedTuple):
    """Content of a file or folder beside its own, under a name of its own: an alternate data stream, a resource fork,
    an extended attribute. `size` is None where there is more than the system tells."""

    name: bytes
    size: int | None


class PartsShown(StrEnum):
    """How a mount shows content that no listing shows."""

    ATTRIBUTES = "as extended attributes"
    STREAMS = "as `FILE:NAME`"


class Io(Protocol):
    """System calls on one machine. All sizes and offsets are bytes, all times nanoseconds since the epoch."""

    name: str
    """`linux`, `macos`, `windows`, or what a test calls itself."""
    reads_at_once: int
    """How many reads `read_many` hands over together; 1 where each is a call of its own anyway."""
    open_together: int
    """How many files may be kept open for one drive to be flushed at the same time; 1 where few may be open at all."""

    # --- folders
    def open_root(self, path: bytes) -> int:
        """Open the folder a person named (its own last link may be followed); everything else starts here."""
        ...

    def open_folder(self, name: bytes, folder: int) -> int:
        """Open a sub-folder; OSError ELOOP/ENOTDIR when it is a link or no folder."""
        ...

    def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
        """Every entry except `.` and `..`, in no order; links are never followed."""
        ...

    def make_folder(self, name: bytes, folder: int) -> None:
        """Create a sub-folder; OSError EEXIST when the name is taken."""
        ...

    def remove_folder(self, name: bytes, folder: int) -> None:
        """Remove an empty sub-folder."""
        ...

    # --- files
    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        """Open a regular file for reading, never following a link, never blocking on a FIFO, without touching its
        access time where allowed. OSError ELOOP for a link, EINVAL for anything that is no regular file, and EINVAL
        when `direct` is refused by the file system (an unsupported-direct caller falls back)."""
        ...

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        """Create a new file for writing and reading; OSError EEXIST when the name is taken, EINVAL as above."""
        ...

    def open_append(self, name: bytes, folder: int, *, create: bool) -> int:
        """Open a small file of our own (a journal, a lock) for reading and appending."""
        ...

    def stat(self, name: bytes, folder: int) -> Stat:
        """Status of an entry, not following links."""
        ...

    def fstat(self, handle: int) -> Stat:
        """Status of an open file or folder."""
        ...

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        """Read at `offset` into `view`; the count may be short, 0 is the end of the file."""
        ...

    def read_many(self, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
        """Read the beginnings of up to `reads_at_once` files, each into its view: the count of each, as `read_into`
        gives it, or -1 for one that failed: reading it alone tells why. Nothing is under way any more afterwards."""
        ...

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        """Write `view` at `offset`; the count may be short."""
        ...

    def parts_shown_as(self, folder: int) -> PartsShown | None:
        """How the mount of an open folder shows what `named_parts` tells of; None where it shows nothing of it."""
        ...

    def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
        """What an entry (`.`: the folder itself) holds that no listing shows: alternate data streams, resource forks,
        and the extended attributes that programs may set; links are not followed."""
        ...

    def beginning_of_part(self, name: bytes, part: bytes, folder: int, shown_as: PartsShown, most: int) -> bytes:
        """Up to `most` bytes from the beginning of such a part, in one call."""
        ...

    def truncate(self, handle: int, size: int) -> None:
        """Set the length."""
        ...

    def allocate(self, handle: int, size: int) -> None:
        """Reserve space without writing; OSError ENOSPC when there is none, EOPNOTSUPP where it cannot be done."""
        ...

    def set_modified(self, handle: int, modified_ns: int) -> None:
        """Set modification time (and access time to the same)."""
        ...

    def flush(self, handle: int) -> None:
        """Force a file or folder to the device (fsync, F_FULLFSYNC, FlushFileBuffers). A failure is final."""
        ...

    def flush_volume(self, handle: int) -> None:
        """Force everything written on the volume of this handle to the device (syncfs); OSError ENOSYS where there is
        no such call or where it reports no errors."""
        ...

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        """Rename within a folder without ever replacing; OSError EEXIST when `new` is taken. Where the file system
        has no atomic form this checks first and then renames (safe under the roll's lock)."""
        ...

    def rename_over(self, old: bytes, new: bytes, folder: int) -> None:
        """Rename within a folder, replacing `new` atomically: only for our own index files, never for footage."""
        ...

    def remove(self, name: bytes, folder: int) -> None:
        """Unlink a file."""
        ...

    def close(self, handle: int) -> None:
        """Close a handle; an OSError here is a failed write."""
        ...

    # --- volumes and locks
    def free_bytes(self, handle: int) -> int:
        """Bytes an ordinary user may still write on the volume of this handle."""
        ...

    def lock(self, folder: int) -> bool:
        """Take the exclusive lock of an open folder without waiting; False when somebody else holds it. It ends with
        the handle or the process. OSError where the file system has no such lock."""
        ...

    # --- the page cache
    def drop_pages(self, handle: int) -> None:
        """Ask the system to forget clean cached pages of this file or block device."""
        ...

    def resident_pages(self, handle: int, size: int) -> int:
        """How many pages of the first `size` bytes are cached; the safe side is a number above 0."""
        ...

    def bypasses_direct(self, handle: int) -> bool:
        """Whether this file is one for which direct I/O is quietly answered from a cache (inline data, encryption,
        data journalling), as far as the system tells."""
        ...

    def kept_inside(self, handle: int) -> bool:
        """Whether the file system keeps this file's content among its own notes instead of in blocks of its own: direct
        reads are then answered from what it remembers of its notes, whatever the medium holds."""
        ...

    def open_device(self, node: str) -> int:
        """Open a block device read-only (to drop its pages); OSError when not allowed."""
        ...

    def device_size(self, handle: int) -> int:
        """Size of an opened block device."""
        ...


def one_by_one(io: Io, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
    """`Io.read_many` by one call after the other."""
    counts: list[int] = []
    for handle, view in reads:
        try:
            counts.append(io.read_into(handle, view, 0))
        except OSError:
            counts.append(-1)
    return counts
