"""What the files of a history must hash to, close together: some 90 bytes each instead of 350."""

from __future__ import annotations

from array import array
from collections.abc import ItemsView, Iterator, Mapping

from rollproof.ascmhl.model import Expected, Shape
from rollproof.models.file_table import Numbers, PathTable

_NO_TIME = 1
_NO_SIZE = 2
_SHAPE_SHIFT = 2


class ExpectedTable(Mapping[bytes, Expected]):
    """Expectations by path. An `Expected` is made anew whenever it is asked for.

    What comes in byte order of the paths, as a manifest of this tool has it, is packed; whatever comes between, or
    becomes another, stands beside it in a dictionary.
    """

    __slots__ = ("_beside", "_ends", "_flags", "_hidden", "_last", "_modified", "_packed", "_paths", "_shapes",
                 "_sizes", "_which")  # fmt: skip

    def __init__(self) -> None:
        self._paths = PathTable()
        self._last = b""
        self._sizes = Numbers()
        self._modified = Numbers()
        self._flags = array("Q")
        self._shapes: list[Shape] = []
        self._which: dict[Shape, int] = {}
        self._packed = bytearray()
        self._ends = array("Q", [0])
        self._beside: dict[bytes, Expected] = {}
        self._hidden: set[int] = set()

    def put(self, path: bytes, expected: Expected) -> None:
        """What is expected of a path from now on."""
        if not path > self._last:  # the usual way of a first manifest: nothing to look for
            number = self._paths.find(path)
            if number is not None:
                self._hidden.add(number)
            self._beside[path] = expected
            return
        self._last = path
        self._paths.add(path)
        self._sizes.add(expected.size or 0)
        self._modified.add(expected.modified_ns or 0)
        which = self._which.setdefault(expected.shape, len(self._shapes))
        if which == len(self._shapes):
            self._shapes.append(expected.shape)
        lacks = (_NO_SIZE if expected.size is None else 0) | (_NO_TIME if expected.modified_ns is None else 0)
        self._flags.append(which << _SHAPE_SHIFT | lacks)
        self._packed += expected.packed
        self._ends.append(len(self._packed))

    def take_out(self, path: bytes) -> Expected | None:
        """What was expected of a path, which is known no more; None when nothing was."""
        found = self.get(path)
        if self._beside.pop(path, None) is None and found is not None:
            number = self._paths.find(path)
            assert number is not None
            self._hidden.add(number)
        return found

    def _number(self, path: bytes) -> int | None:
        if path > self._last:
            return None
        number = self._paths.find(path)
        return None if number in self._hidden else number

    def _expected(self, number: int) -> Expected:
        flags = self._flags[number]
        return Expected(
            None if flags & _NO_SIZE else self._sizes[number],
            None if flags & _NO_TIME else self._modified[number],
            self._shapes[flags >> _SHAPE_SHIFT],
            bytes(self._packed[self._ends[number] : self._ends[number + 1]]),
        )

    def __getitem__(self, path: bytes) -> Expected:
        if self._beside:
            beside = self._beside.get(path)
            if beside is not None:
                return beside
        number = self._number(path)
        if number is None:
            raise KeyError(path)
        return self._expected(number)

    def get(self, path: bytes, default: Expected | None = None) -> Expected | None:  # type: ignore[override]
        """As of every mapping, without an error on the way."""
        if self._beside:
            beside = self._beside.get(path)
            if beside is not None:
                return beside
        number = self._number(path)
        return default if number is None else self._expected(number)

    def __contains__(self, path: object) -> bool:
        return isinstance(path, bytes) and (path in self._beside or self._number(path) is not None)

    def __iter__(self) -> Iterator[bytes]:
        for number in range(len(self._paths)):
            if number not in self._hidden:
                yield self._paths.path(number)
        yield from self._beside

    def __len__(self) -> int:
        return len(self._paths) - len(self._hidden) + len(self._beside)

    def items(self) -> ItemsView[bytes, Expected]:
        """As of every mapping, without looking each path up again."""
        return _Items(self)

    def _pairs(self) -> Iterator[tuple[bytes, Expected]]:
        for number in range(len(self._paths)):
            if number not in self._hidden:
                yield self._paths.path(number), self._expected(number)
        yield from self._beside.items()


class _Items(ItemsView[bytes, Expected]):
    """Goes through the table once."""

    def __init__(self, table: ExpectedTable) -> None:
        super().__init__(table)
        self._table = table

    def __iter__(self) -> Iterator[tuple[bytes, Expected]]:
        return self._table._pairs()
