"""Long stretches of zeros in what the card gave: a failing card may answer so, and says the same when read twice.

No hash can tell. Whether a stretch means anything depends on the file, and is judged elsewhere; here they are only
seen, in passing, while the blocks of the first read are in memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rollproof.copying.parcels import Segment

SHORTEST_BYTES = 1 << 20
_WINDOW = 128 << 10
_ZEROS = bytes(_WINDOW)
_MOST_OF_A_FILE = 8
_MOST = 2_000


@dataclass(frozen=True, slots=True)
class Stretch:
    """Bytes `start:end` of a file are zeros. To a window of 128 KiB: the zeros may begin before and end after."""

    start: int
    end: int

    @property
    def size(self) -> int:
        """How many bytes."""
        return self.end - self.start


def _is_zero(window: memoryview) -> bool:
    return window.tobytes() == (_ZEROS if len(window) == _WINDOW else bytes(len(window)))


class ZeroWatch:
    """Sees the segments of the first read, file by file in order, from one thread."""

    def __init__(self) -> None:
        self._found: dict[int, list[Stretch]] = {}
        self._many = 0
        self._file = -1
        self._start = self._end = -1

    def take(self, segment: Segment, piece: memoryview) -> None:
        """Look at the bytes of one segment that was read without a fault."""
        if segment.file != self._file or segment.offset == 0:
            self._close()
            self._file = segment.file
        base = segment.offset
        for at in range(0, len(piece), _WINDOW):
            window = piece[at : at + _WINDOW]
            # three bytes tell nearly always; what is left is compared as a whole
            if window[0] or window[len(window) // 2] or window[-1] or not _is_zero(window):
                continue
            if self._end != base + at:
                self._close()
                self._start = base + at
            self._end = base + at + len(window)
        if segment.last:
            self._close()

    def _close(self) -> None:
        start, end = self._start, self._end
        self._start = self._end = -1
        if end - start < SHORTEST_BYTES or self._many >= _MOST:
            return
        stretches = self._found.setdefault(self._file, [])
        if len(stretches) < _MOST_OF_A_FILE:
            stretches.append(Stretch(start, end))
            self._many += 1

    def of(self, files: Iterable[int]) -> dict[int, list[Stretch]]:
        """What was seen in these files, by number. Files that were read to their end only."""
        return {number: self._found[number] for number in files if number in self._found}

    def __bool__(self) -> bool:
        return bool(self._found)
