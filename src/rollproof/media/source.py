"""Where a parser reads from: bytes at an offset, never more than asked, bounded in all.

Parsers see only a `Source`. It clamps whatever offset and length a file made them ask for, so that no parser can read
outside the file, and it counts: a parser that a file leads around in circles ends in `TooMuch`, not in a hang.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Protocol

BLOCK_BYTES = 16 * 1024
"""One read of the medium for small requests: the headers of a container lie close together."""

MOST_BLOCKS_AT_ONCE = 16
"""One read where block after block is asked for, as in a long table: each is twice as long as the one before, up to
this."""

CACHED_BLOCKS = 3 * MOST_BLOCKS_AT_ONCE
MOST_BYTES = 48 * 1024 * 1024
"""A health check needs some tens of KiB; large sample tables need more, and a walk over parts that lie far apart, as in
half an hour of fragments, a block for each."""

MOST_READS = 5000
MOST_SECONDS = 10.0
"""Spent on waiting for the medium. On a card the look into a clip takes some tens of milliseconds; this is for the
recording of very many parts on a medium that is slow to find each."""


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


class Reads(Protocol):
    """What a `FileSource` needs of the `Io` seam."""

    def read_into(self, handle: int, view: memoryview, offset: int, /) -> int:
        """See `Io.read_into`."""
        ...


class FileSource:
    """A source over an open file (opened with `direct=False`), by way of the `Io` seam.

    Small requests go through a cache of a few blocks. `bytes_read` and `reads` count what the medium was asked for;
    beyond `most_bytes`, `most_reads` or `most_seconds` every further read raises `TooMuch`. For one thread.
    """

    def __init__(
        self,
        io: Reads,
        handle: int,
        size: int,
        *,
        most_bytes: int = MOST_BYTES,
        most_reads: int = MOST_READS,
        most_seconds: float = MOST_SECONDS,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.size = size
        self.bytes_read = 0
        self.reads = 0
        self._io = io
        self._handle = handle
        self._most_bytes = most_bytes
        self._most_reads = most_reads
        self._seconds_left = most_seconds
        self._clock = clock
        self._next_block = -1
        self._at_once = 1
        self._blocks: OrderedDict[int, bytes] = OrderedDict()

    def at(self, offset: int, length: int) -> bytes:
        """See `Source.at`. Raises TooMuch beyond the budget."""
        if offset >= 0 and length > 0:  # most of what is asked for lies in a block that is there already
            inside = offset % BLOCK_BYTES
            block = self._blocks.get(offset // BLOCK_BYTES)
            if block is not None and inside + length <= len(block):
                self._blocks.move_to_end(offset // BLOCK_BYTES)
                return block[inside : inside + length]
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
            self._read_blocks(number)
            block = self._blocks[number]
        else:
            self._blocks.move_to_end(number)
        return block

    def _read_blocks(self, number: int) -> None:
        """This block, and of those that follow the more, the longer they were asked for in a row."""
        in_a_row = number == self._next_block
        self._at_once = min(self._at_once * 2, MOST_BLOCKS_AT_ONCE) if in_a_row else 1
        length = self._at_once * BLOCK_BYTES
        if self.bytes_read + length > self._most_bytes:
            length = BLOCK_BYTES
        start, count = clamp(number * BLOCK_BYTES, length, self.size)
        data = self._read(start, count)
        for place in range(0, max(len(data), 1), BLOCK_BYTES):
            self._blocks[number + place // BLOCK_BYTES] = data[place : place + BLOCK_BYTES]
        self._next_block = number + -(-length // BLOCK_BYTES)
        while len(self._blocks) > CACHED_BLOCKS:
            self._blocks.popitem(last=False)

    def _read(self, offset: int, count: int) -> bytes:
        if self.bytes_read + count > self._most_bytes:
            raise TooMuch
        buffer = bytearray(count)
        view = memoryview(buffer)
        done = 0
        while done < count:
            if self.reads >= self._most_reads or self._seconds_left <= 0:
                raise TooMuch
            self.reads += 1
            began = self._clock()
            got = self._io.read_into(self._handle, view[done:], offset + done)
            self._seconds_left -= self._clock() - began
            if got <= 0:
                break
            done += got
            self.bytes_read += got
        return bytes(view[:done])
