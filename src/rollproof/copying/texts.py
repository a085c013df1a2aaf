"""Many texts of one length kept close together: the hashes of 200,000 files in a few megabytes, not in a hundred."""

from __future__ import annotations


class TextTable:
    """One ASCII text for each of `count` numbers, all of one length (that of the first one set)."""

    __slots__ = ("_count", "_known", "_packed", "_width")

    def __init__(self, count: int) -> None:
        self._count = count
        self._known = bytearray(count)
        self._packed = bytearray()
        self._width = 0

    def set(self, number: int, text: str) -> None:
        """Keep a text. ValueError when it has another length than those before, UnicodeEncodeError beyond ASCII."""
        raw = text.encode("ascii")
        if not self._width:
            self._width = len(raw)
            self._packed = bytearray(self._width * self._count)
        if len(raw) != self._width:
            raise ValueError(f"a text of {len(raw)} letters among texts of {self._width}")
        self._packed[number * self._width : (number + 1) * self._width] = raw
        self._known[number] = 1

    def has(self, number: int) -> bool:
        """Whether a text was set."""
        return bool(self._known[number])

    def get(self, number: int) -> str | None:
        """The text, or None when none was set."""
        if not self._known[number]:
            return None
        return self._packed[number * self._width : (number + 1) * self._width].decode("ascii")
