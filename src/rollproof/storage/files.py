"""Safe creation of our own small files, and walking below a folder handle without ever leaving it.

`write_new` is the one writer of final files besides the copy engine, and keeps the same order: temporary name,
write, length check, flush, rename without replacing, flush of the folder. Any failed flush is final: the file is
removed, never flushed again.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
from collections.abc import Iterable, Iterator

from rollproof.models.names import PARTIAL_SUFFIX
from rollproof.storage.io import EntryKind, Io, Stat
from rollproof.storage.medium import MediumAccess
from rollproof.storage.readback import check_as_written

_GATHER_BYTES = 1 << 20


def partial_name(name: bytes) -> bytes:
    """The temporary name for a final name: the name and the suffix, or a digest and the suffix where that would be
    too long for a component (255 bytes, and 255 UTF-16 units, whichever is shorter)."""
    if len(name) + len(PARTIAL_SUFFIX) <= 255:
        return name + PARTIAL_SUFFIX
    return hashlib.sha256(name).hexdigest().encode()[:40] + PARTIAL_SUFFIX


def write_all(io: Io, handle: int, data: bytes | memoryview, offset: int) -> None:
    """Write every byte, going on after short writes; OSError ENOSPC when a write makes no headway."""
    view = memoryview(data)
    done = 0
    while done < len(view):
        count = io.write_from(handle, view[done:], offset + done)
        if count <= 0:
            raise OSError(errno.ENOSPC, "the drive took no more bytes")
        done += count


def write_new(
    io: Io,
    folder: int,
    name: bytes,
    chunks: Iterable[bytes],
    *,
    replace: bool = False,
    medium: MediumAccess | None = None,
) -> tuple[int, str]:
    """Create `name` in `folder` from `chunks`; returns its size and SHA-256 (lowercase hex).

    The file is read back past the page cache (`medium` says how its volume is read) and compared before it gets its
    name; `readback.NotAsWritten`, an OSError that names it, when it holds anything else.

    Never replaces anything (OSError EEXIST) unless `replace`, which only our own index files may ask for. On any
    error nothing is left under the final name, and the temporary file is removed where the drive still answers.
    A stale temporary file of an earlier run is removed first.
    """
    temporary = partial_name(name)
    with contextlib.suppress(FileNotFoundError):
        io.remove(temporary, folder)
    handle = io.create(temporary, folder, direct=False)
    written: Stat | None = None
    renamed = False
    try:
        size, digest = _write_chunks(io, handle, chunks)
        written = io.fstat(handle)
        if written.size != size:
            raise OSError(errno.EIO, "the file is not as long as what was written")
        io.flush(handle)
        closing, handle = handle, -1
        io.close(closing)
        check_as_written(io, folder, temporary, size, digest, final=name, medium=medium)
        if replace:
            io.rename_over(temporary, name, folder)
        else:
            io.rename_no_replace(temporary, name, folder)
        renamed = True
        flush_folder(io, folder)
        if not _is_same(io.stat(name, folder), written):
            # some file systems number their files anew after a rename; one that did not rename has another content
            check_as_written(io, folder, name, size, digest, final=name, medium=medium)
    except BaseException:
        if handle >= 0:
            with contextlib.suppress(OSError):
                io.close(handle)
        with contextlib.suppress(OSError):
            io.remove(temporary, folder)
        if not replace:
            # What was never flushed under its final name must not stand there. A rename may have happened although it
            # was reported as failed; what somebody else has put there is left alone.
            with contextlib.suppress(OSError):
                if renamed or (written is not None and _is_same(io.stat(name, folder), written)):
                    io.remove(name, folder)
        raise
    return size, digest


def _is_same(one: Stat, other: Stat) -> bool:
    return (one.device, one.inode) == (other.device, other.inode)


def flush_folder(io: Io, folder: int) -> None:
    """Flush a folder's entries; the one answer tolerated is EINVAL.

    That is what file systems without such a flush say (some network and program-run ones): there is nothing more to
    be done there. Every other failure is final.
    """
    try:
        io.flush(folder)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise


def gathered(chunks: Iterable[bytes], size: int = 1 << 16) -> Iterator[bytes]:
    """The same bytes in pieces of at least `size` (but the last): whoever hashes each piece has less to do."""
    pieces: list[bytes] = []
    length = 0
    for chunk in chunks:
        pieces.append(chunk)
        length += len(chunk)
        if length >= size:
            yield b"".join(pieces)
            pieces, length = [], 0
    if pieces:
        yield b"".join(pieces)


def _write_chunks(io: Io, handle: int, chunks: Iterable[bytes]) -> tuple[int, str]:
    digest = hashlib.sha256()
    offset = 0
    gathered = bytearray()
    for chunk in chunks:
        digest.update(chunk)
        gathered += chunk
        if len(gathered) >= _GATHER_BYTES:
            write_all(io, handle, bytes(gathered), offset)
            offset += len(gathered)
            gathered.clear()
    write_all(io, handle, bytes(gathered), offset)
    return offset + len(gathered), digest.hexdigest()


def read_small(io: Io, folder: int, name: bytes, *, limit: int) -> bytes:
    """The whole content of a file of at most `limit` bytes; OSError EFBIG when it is larger."""
    return b"".join(read_chunks(io, folder, name, limit=limit))


def read_chunks(io: Io, folder: int, name: bytes, *, limit: int, chunk_bytes: int = 1 << 20) -> Iterator[bytes]:
    """The content in pieces; OSError EFBIG as soon as it turns out longer than `limit`."""
    handle = io.open_read(name, folder, direct=False)
    try:
        if io.fstat(handle).size > limit:
            raise OSError(errno.EFBIG, "larger than such a file may be", name)
        offset = 0
        buffer = bytearray(chunk_bytes)
        while True:
            count = io.read_into(handle, memoryview(buffer), offset)
            if count == 0:
                return
            offset += count
            if offset > limit:
                raise OSError(errno.EFBIG, "larger than such a file may be", name)
            yield bytes(buffer[:count])
    finally:
        io.close(handle)


def open_below(io: Io, root: int, path: bytes, *, create: bool = False) -> int:
    """Open the folder at a relative path below `root`, one component at a time, following no link.

    With `create`, missing folders are made. An empty path opens `root` itself anew. The caller closes the handle.
    """
    if not path:
        return io.open_folder(b".", root)
    current = root
    try:
        for part in path.split(b"/"):
            if part in (b"", b".", b".."):
                raise OSError(errno.EINVAL, "a path that would leave its folder", path)
            if create:
                with contextlib.suppress(FileExistsError):
                    io.make_folder(part, current)
            above, current = current, io.open_folder(part, current)
            if above != root:
                io.close(above)
    except BaseException:
        if current != root:
            io.close(current)
        raise
    return current


def exists(io: Io, folder: int, name: bytes) -> EntryKind | None:
    """What stands under a name, or None."""
    try:
        return io.stat(name, folder).kind
    except FileNotFoundError:
        return None
