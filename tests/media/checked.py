"""Sources for tests: one that watches its parser, one as large as a real recording."""

from __future__ import annotations

import bisect

from rollproof.media.source import MOST_BYTES, MOST_READS, TooMuch, clamp


class Checked:
    """Bytes in memory that count what they are asked for and hand out at most what a `FileSource` would."""

    def __init__(self, data: bytes) -> None:
        self.size = len(data)
        self.bytes_read = 0
        self.asked = 0
        self._data = data

    def at(self, offset: int, length: int) -> bytes:
        """See `Source.at`; every request counts."""
        self.asked += 1
        start, count = clamp(offset, length, self.size)
        self.bytes_read += count
        # a FileSource counts blocks that it reads, so it allows many more requests than reads
        if self.bytes_read > MOST_BYTES or self.asked > MOST_READS * 20:
            raise TooMuch
        return self._data[start : start + count]


class Huge(Checked):
    """A file of any size: pieces at their places, and `fill` everywhere between."""

    def __init__(self, size: int, pieces: dict[int, bytes], fill: bytes = b"\x5a") -> None:
        super().__init__(b"")
        self.size = size
        self._pieces = pieces
        self._places = sorted(pieces)
        self._longest = max((len(piece) for piece in pieces.values()), default=0)
        self._fill = fill

    def at(self, offset: int, length: int) -> bytes:
        """See `Source.at`."""
        start, count = clamp(offset, length, self.size)
        self.asked += 1
        self.bytes_read += count
        if self.bytes_read > MOST_BYTES or self.asked > MOST_READS * 20:
            raise TooMuch
        out = bytearray(self._fill * count)
        reaching = bisect.bisect_left(self._places, start - self._longest)
        for place in self._places[reaching : bisect.bisect_right(self._places, start + count)]:
            piece = self._pieces[place]
            first, last = max(place, start), min(place + len(piece), start + count)
            if first < last:
                out[first - start : last - start] = piece[first - place : last - place]
        return bytes(out)
