"""A source that watches its parser: nothing outside the file, nothing without bound."""

from __future__ import annotations

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
