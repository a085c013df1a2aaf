"""The system calls of an offload made by plain Python threads that decide, record and prove nothing; seconds, printed.

    python -m benchmarks.bare_calls CARD DRIVE …

What is left above it is what the program costs; what stands between it and a row's target, Python's threads cannot
give. The calls are those of the engine: every file of the card read once and written to all drives under a temporary
name, one flush for each drive and the final names, one more flush; then the card and every drive read beside each
other, from the medium where their file system can do that, small files together as the engine reads them. Everything
is hashed with xxh128. Listing does not count.
"""

from __future__ import annotations

import ctypes
import fcntl
import mmap
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import xxhash

from rollproof.reading.settings import Settings
from rollproof.storage.io import Io
from rollproof.storage.posix import LinuxIo

_READS_ON_DRIVE = 2
_GET_FLAGS = 0x80086601
_SUFFIX = ".part"
_libc = ctypes.CDLL(None, use_errno=True)


@dataclass(frozen=True)
class Piece:
    """A block of a file, or all of a small one."""

    path: str
    offset: int
    length: int
    whole: bool


def pieces(card: Path, block: int) -> list[Piece]:
    """Everything on the card, in the order of names."""
    found: list[Piece] = []
    for folder, folders, names in os.walk(card):
        folders.sort()
        for name in sorted(names):
            path = os.path.join(folder, name)
            size = os.stat(path).st_size
            short = os.path.relpath(path, card)
            found += [Piece(short, at, min(block, size - at), size <= block) for at in range(0, max(size, 1), block)]
    return found


def _open(root: int, piece: Piece) -> int:
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    try:
        handle = os.open(piece.path, flags | os.O_DIRECT | os.O_NOATIME, dir_fd=root)
    except OSError:
        handle = os.open(piece.path, flags, dir_fd=root)
    os.fstat(handle)
    if piece.whole:
        with_flags = bytearray(8)
        try:
            fcntl.ioctl(handle, _GET_FLAGS, with_flags)
        except OSError:
            pass
    return handle


def _read(
    io: Io, root: int, together: list[Piece], room: memoryview
) -> Iterator[tuple[Piece, memoryview, os.stat_result]]:
    """The content of these pieces, read at once where they are several; `room` holds them all."""
    handles, views, start = [], [], 0
    for piece in together:
        handles.append(_open(root, piece))
        end = start + _rounded(piece.length)
        views.append(room[start:end])
        start = end
    if len(together) > 1:
        io.read_many(list(zip(handles, views, strict=True)))
    else:
        io.read_into(handles[0], views[0], together[0].offset)
    for piece, handle, view in zip(together, handles, views, strict=True):
        yield piece, view[: piece.length], os.fstat(handle)
        os.close(handle)


def _rounded(length: int) -> int:
    return -(-length // mmap.PAGESIZE) * mmap.PAGESIZE


def _write(root: int, piece: Piece, content: memoryview, times: os.stat_result) -> None:
    name = piece.path + _SUFFIX
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC | (os.O_EXCL if piece.whole else 0)
    handle = os.open(name, flags, 0o666, dir_fd=root)
    try:
        os.pwrite(handle, content, piece.offset)
        os.utime(handle, ns=(times.st_mtime_ns, times.st_mtime_ns))
        os.fstat(handle)
        os.stat(name, dir_fd=root, follow_symlinks=False)
    finally:
        os.close(handle)


def _at_once(works: list[Callable[[], None]]) -> None:
    threads = [threading.Thread(target=work) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _each(
    todo: list[Piece], work: Callable[[list[Piece], memoryview], None], block: int
) -> Callable[[], Callable[[], None]]:
    """A maker of workers that share what there is to do."""
    left: Iterator[Piece] = iter(todo)
    lock = threading.Lock()
    at_once = Settings().files_at_once if all(piece.whole for piece in todo) else 1

    def worker() -> Callable[[], None]:
        def run() -> None:
            room = memoryview(mmap.mmap(-1, _rounded(block) * at_once))
            while True:
                with lock:
                    together = list(islice(left, at_once))
                if not together:
                    return
                work(together, room)

        return run

    return worker


def copy_and_read_back(card: Path, drives: list[Path]) -> float:
    """Seconds for it all. Raises RuntimeError when a copy came back with another hash."""
    settings, io = Settings(), LinuxIo()
    largest = max((path.stat().st_size for path in card.rglob("*") if path.is_file()), default=1)
    block = min(settings.block_bytes, max(largest, 1))
    todo = pieces(card, block)
    roots = [os.open(path, os.O_RDONLY | os.O_DIRECTORY) for path in (card, *drives)]
    for folder in sorted({os.path.dirname(piece.path) for piece in todo} - {""}):
        for drive in drives:
            (drive / folder).mkdir(parents=True, exist_ok=True)
    hashes: dict[Piece, str] = {}
    wrong: queue.SimpleQueue[str] = queue.SimpleQueue()

    def copy(together: list[Piece], room: memoryview) -> None:
        for piece, content, times in _read(io, roots[0], together, room):
            hashes[piece] = xxhash.xxh3_128_hexdigest(content)
            for root in roots[1:]:
                _write(root, piece, content, times)

    def give_names(root: int) -> None:
        _libc.syncfs(root)
        for path in dict.fromkeys(piece.path for piece in todo):
            os.rename(path + _SUFFIX, path, src_dir_fd=root, dst_dir_fd=root)
        _libc.syncfs(root)

    def compare(root: int) -> Callable[[list[Piece], memoryview], None]:
        def work(together: list[Piece], room: memoryview) -> None:
            for piece, content, _ in _read(io, root, together, room):
                if xxhash.xxh3_128_hexdigest(content) != hashes[piece]:
                    wrong.put(piece.path)

        return work

    began = time.monotonic()
    copier = _each(todo, copy, block)
    _at_once([copier() for _ in range(settings.read_depth)])
    _at_once([lambda root=root: give_names(root) for root in roots[1:]])  # type: ignore[misc]
    readers = [(_each(todo, compare(root), block), _READS_ON_DRIVE if root != roots[0] else settings.read_depth)
               for root in roots]  # fmt: skip
    _at_once([worker() for worker, many in readers for _ in range(many)])
    seconds = time.monotonic() - began
    for root in roots:
        os.close(root)
    if not wrong.empty():
        raise RuntimeError(f"{wrong.get()} came back different")
    return seconds


if __name__ == "__main__":
    print(copy_and_read_back(Path(sys.argv[1]), [Path(word) for word in sys.argv[2:]]))
