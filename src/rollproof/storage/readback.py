"""Our own papers read again: what was written is compared, what is linked to is read twice.

A paper is a small file of ours: a record, a signature, a manifest, a chain. Each is read past the page cache as far
as the system allows it: pages dropped, by direct I/O, and below a FUSE file system without the block device's pages.
Where none of that works a cache may answer, as it may for any copy on such a volume (see `medium`).
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import mmap
from collections.abc import Iterator

from rollproof.models.names import shown
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess

_ALIGNMENT = 4096
_CHUNK_BYTES = 1 << 20


class NotAsWritten(OSError):
    """A paper, read back from the drive, is not what was written. `path` names it for people."""

    def __init__(self, name: bytes) -> None:
        super().__init__(errno.EIO, f"{shown(name)}, read back, is not what was written", name)
        self.path = shown(name)


class ReadsDiffer(OSError):
    """A paper that is to be linked to did not read alike twice: nothing may be built on it. `path` names it."""

    def __init__(self, name: bytes) -> None:
        super().__init__(errno.EIO, f"{shown(name)}, read twice, was not the same both times", name)
        self.path = shown(name)


def fresh_chunks(
    io: Io, folder: int, name: bytes, *, limit: int, medium: MediumAccess | None = None
) -> Iterator[bytes]:
    """The content in pieces, past the page cache where that can be done; OSError EFBIG when longer than `limit`."""
    if medium is not None:
        medium.forget()
    reader = _Fresh(io, folder, name)
    try:
        size = io.fstat(reader.handle).size
        if size > limit:
            raise OSError(errno.EFBIG, "larger than such a file may be", name)
        offset = 0
        with mmap.mmap(-1, _CHUNK_BYTES) as block, memoryview(block) as view:
            while offset < size and (piece := reader.read(view, offset)):
                yield piece[: size - offset]
                offset += len(piece)
    finally:
        io.close(reader.handle)


class _Fresh:
    """A file opened past the cache: directly where that is possible, and its pages dropped in any case."""

    def __init__(self, io: Io, folder: int, name: bytes) -> None:
        self._io = io
        self._folder = folder
        self._name = name
        self._direct = True
        try:
            self.handle = io.open_read(name, folder, direct=True)
        except OSError as error:
            if error.errno != errno.EINVAL:
                raise
            self._direct = False
            self.handle = io.open_read(name, folder, direct=False)
        self._drop()

    def _drop(self) -> None:
        with contextlib.suppress(OSError):  # where pages cannot be dropped a direct read still passes them by
            self._io.drop_pages(self.handle)

    def read(self, view: memoryview, offset: int) -> bytes:
        """What comes at `offset`, at most a view full; nothing at the end of the file."""
        # direct I/O starts at whole sectors only, wherever a short read ended
        known = offset % _ALIGNMENT if self._direct else 0
        try:
            count = self._io.read_into(self.handle, view, offset - known)
        except OSError as error:
            if error.errno != errno.EINVAL or not self._direct:
                raise
            count = known  # opened directly, and then not read so
        if count <= known and self._direct:
            self._reopen_buffered()
            known, count = 0, self._io.read_into(self.handle, view, offset)
        return bytes(view[known:count])

    def _reopen_buffered(self) -> None:
        handle = self._io.open_read(self._name, self._folder, direct=False)
        closing, self.handle, self._direct = self.handle, handle, False
        self._io.close(closing)
        self._drop()


def check_as_written(
    io: Io, folder: int, name: bytes, size: int, sha256: str, *, final: bytes, medium: MediumAccess | None = None
) -> None:
    """Read a file of ours back; NotAsWritten (naming `final`) when it is not this content, OSError when it cannot be
    read."""
    digest = hashlib.sha256()
    length = 0
    try:
        for chunk in fresh_chunks(io, folder, name, limit=size, medium=medium):
            digest.update(chunk)
            length += len(chunk)
    except OSError as error:
        if error.errno in (errno.EFBIG, errno.ENOENT):
            raise NotAsWritten(final) from error
        raise
    if length != size or digest.hexdigest() != sha256:
        raise NotAsWritten(final)


def check_alike(
    io: Io, folder: int, name: bytes, sha256: str, *, limit: int, medium: MediumAccess | None = None
) -> None:
    """Read a file once more, freshly; ReadsDiffer when its content is not the one that was read before."""
    digest = hashlib.sha256()
    for chunk in fresh_chunks(io, folder, name, limit=limit, medium=medium):
        digest.update(chunk)
    if digest.hexdigest() != sha256:
        raise ReadsDiffer(name)
