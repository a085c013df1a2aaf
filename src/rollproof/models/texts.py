"""Many texts of one length kept close together: the hashes of 200,000 files in a few megabytes, not in a hundred."""

from __future__ import annotations

from collections.abc import Iterator, Mapping


class TextsByNumber(Mapping[int, str]):
    """Some of the numbers below `count` with a text each, of one length."""

    __slots__ = ("_many", "_table")

    def __init__(self, count: int) -> None:
        self._table = TextTable(count)
        self._many = 0

    def set(self, number: int, text: str) -> None:
        """See `TextTable.set`."""
        self._many += not self._table.has(number)
        self._table.set(number, text)

    def __getitem__(self, number: int) -> str:
        text = self._table.get(number)
        if text is None:
            raise KeyError(number)
        return text

    def __iter__(self) -> Iterator[int]:
        return self._table.numbers()

    def __len__(self) -> int:
        return self._many


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

    def numbers(self) -> Iterator[int]:
        """Those with a text, in order."""
        return (number for number, known in enumerate(self._known) if known)

    @property
    def full(self) -> bool:
        """Whether every number has its text."""
        return self._known.count(1) == self._count

    def has(self, number: int) -> bool:
        """Whether a text was set."""
        return bool(self._known[number])

    def get(self, number: int) -> str | None:
        """The text, or None when none was set."""
        if not self._known[number]:
            return None
        return self._packed[number * self._width : (number + 1) * self._width].decode("ascii")
