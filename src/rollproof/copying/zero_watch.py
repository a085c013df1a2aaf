"""Long stretches of zeros in what the card gave: a failing card may answer so, and says the same when read twice.

No hash can tell. Whether a stretch means anything depends on the file, and is judged elsewhere; here they are only
seen, in passing, while the blocks of the first read are in memory.
"""

from __future__ import annotations

from collections.abc import Iterable

from rollproof.reading.parcels import Segment

_WINDOW = 128 << 10
_ZEROS = bytes(_WINDOW)
_MOST_OF_A_FILE = 8
_MOST = 2_000


def _is_zero(window: memoryview) -> bool:
    return window.tobytes() == (_ZEROS if len(window) == _WINDOW else bytes(len(window)))


class ZeroWatch:
    """Sees the segments of the first read, file by file in order, from one thread.

    A stretch is the place of its first byte and of the one after its last. It is told to a window of 128 KiB: the zeros
    may begin before and end after. Shorter ones than `shortest_bytes` are passed over, and so are very many.
    """

    def __init__(self, shortest_bytes: int) -> None:
        self._shortest_bytes = shortest_bytes
        self._found: dict[int, list[tuple[int, int]]] = {}
        self._many = 0
        self._file = -1
        self._start = self._end = -1

    def take(self, segment: Segment, piece: memoryview) -> None:
        """Look at the bytes of one segment that was read without a fault."""
        if segment.offset == 0:
            if segment.last and segment.length < self._shortest_bytes:
                return  # most files of most cards: nothing to look for
            self._file = segment.file
            self._start = self._end = -1  # of a file that could not be read to its end
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
        if end - start < self._shortest_bytes or self._many >= _MOST:
            return
        stretches = self._found.setdefault(self._file, [])
        if len(stretches) < _MOST_OF_A_FILE:
            stretches.append((start, end))
            self._many += 1

    def of(self, files: Iterable[int]) -> dict[int, list[tuple[int, int]]]:
        """The stretches seen in these files, by number."""
        return {number: self._found[number] for number in files if number in self._found}

    def __bool__(self) -> bool:
        return bool(self._found)
