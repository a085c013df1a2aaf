"""Where a parser reads from: bytes at an offset, never more than asked, bounded in all.

Parsers see only a `Source`. It clamps whatever offset and length a file made them ask for, so that no parser can read
outside the file, and it counts: a parser that a file leads around in circles ends in `TooMuch`, not in a hang.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Protocol

from rollproof.storage.io import Io

BLOCK_BYTES = 16 * 1024
"""One read of the medium for small requests: the headers of a container lie close together."""

CACHED_BLOCKS = 16
MOST_BYTES = 24 * 1024 * 1024
"""A health check needs some tens of KiB; large sample tables and a walk over frame blocks need more."""

MOST_READS = 5000


class TooMuch(Exception):
    """The budget of reads for this file is used up. `examine` turns it into *unknown*; it never reaches a caller."""


class Source(Protocol):
    """A file to look into. OSError of the medium passes through; every other misuse is clamped."""

    size: int
    """Length in bytes, as it was when the source was opened."""

    def at(self, offset: int, length: int) -> bytes:
        """Up to `length` bytes from `offset`: never more, fewer only where the file ends."""
        ...


def clamp(offset: int, length: int, size: int) -> tuple[int, int]:
    """The part of `offset`, `length` that lies inside a file of `size` bytes; a negative offset counts as 0."""
    start = min(max(offset, 0), size)
    return start, min(max(length, 0), size - start)


class BytesSource:
    """A source over bytes in memory."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.size = len(data)

    def at(self, offset: int, length: int) -> bytes:
        """See `Source.at`."""
        start, count = clamp(offset, length, self.size)
        return self._data[start : start + count]


class FileSource:
    """A source over an open file (opened with `direct=False`), by way of the `Io` seam.

    Small requests go through a cache of a few blocks. `bytes_read` and `reads` count what the medium was asked for;
    beyond `most_bytes` or `most_reads` every further request raises `TooMuch`. For one thread.
    """

    def __init__(
        self, io: Io, handle: int, size: int, *, most_bytes: int = MOST_BYTES, most_reads: int = MOST_READS
    ) -> None:
        self.size = size
        self.bytes_read = 0
        self.reads = 0
        self._io = io
        self._handle = handle
        self._most_bytes = most_bytes
        self._most_reads = most_reads
        self._blocks: OrderedDict[int, bytes] = OrderedDict()

    def at(self, offset: int, length: int) -> bytes:
        """See `Source.at`. Raises TooMuch beyond the budget."""
        start, count = clamp(offset, length, self.size)
        if count > BLOCK_BYTES * 2:
            return self._read(start, count)
        pieces: list[bytes] = []
        while count:
            number, inside = divmod(start, BLOCK_BYTES)
            piece = self._block(number)[inside : inside + count]
            if not piece:
                break  # the file became shorter than it was
            pieces.append(piece)
            start += len(piece)
            count -= len(piece)
        return b"".join(pieces)

    def _block(self, number: int) -> bytes:
        block = self._blocks.get(number)
        if block is None:
            start, count = clamp(number * BLOCK_BYTES, BLOCK_BYTES, self.size)
            block = self._blocks[number] = self._read(start, count)
            if len(self._blocks) > CACHED_BLOCKS:
                self._blocks.popitem(last=False)
        else:
            self._blocks.move_to_end(number)
        return block

    def _read(self, offset: int, count: int) -> bytes:
        if self.bytes_read + count > self._most_bytes:
            raise TooMuch
        buffer = bytearray(count)
        view = memoryview(buffer)
        done = 0
        while done < count:
            if self.reads >= self._most_reads:
                raise TooMuch
            self.reads += 1
            got = self._io.read_into(self._handle, view[done:], offset + done)
            if got <= 0:
                break
            done += got
            self.bytes_read += got
        return bytes(view[:done])
