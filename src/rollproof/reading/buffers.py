"""Page-aligned buffers, made once and used again; each leg has a quota so that none can starve another."""

from __future__ import annotations

import mmap
import threading

from rollproof.reading.settings import ALIGNMENT


class Buffer:
    """One block of memory, page-aligned because it is an anonymous mapping."""

    __slots__ = ("_map", "view")

    def __init__(self, size: int) -> None:
        self._map = mmap.mmap(-1, size)
        self.view = memoryview(self._map)


class BufferPool:
    """Free buffers of one size, shared by all legs."""

    def __init__(self, block_bytes: int) -> None:
        if block_bytes % ALIGNMENT:
            raise ValueError("a block must be a multiple of the alignment")
        self.block_bytes = block_bytes
        self._free: list[Buffer] = []
        self._lock = threading.Lock()

    def take(self) -> Buffer:
        """A free buffer, or a new one."""
        with self._lock:
            if self._free:
                return self._free.pop()
        return Buffer(self.block_bytes)

    def empty(self) -> None:
        """Free what nobody uses now; whoever holds a buffer keeps it."""
        with self._lock:
            self._free.clear()

    def give_back(self, buffer: Buffer) -> None:
        """Return a buffer that nobody reads from or writes to any more."""
        with self._lock:
            self._free.append(buffer)
