"""All files of a record at once, close together: some 100 bytes each instead of 700."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Mapping

from rollproof.models.file_table import Numbers, PathTable
from rollproof.models.volumes import Evidence
from rollproof.records.rows import ROW_STATES, FileRow

_STATES: tuple[str | None, ...] = (None, *sorted(ROW_STATES))
_EVIDENCE: tuple[Evidence | None, ...] = (None, *Evidence)
_PROVEN = 0x80  # above what tells the state


class RowTable(Mapping[bytes, FileRow]):
    """Rows by path, in byte order, read-only. Every row is made anew when it is asked for."""

    __slots__ = ("_algorithms", "_ends", "_evidence", "_flags", "_modified", "_names", "_paths", "_sizes", "_texts")

    def __init__(self, rows: Iterable[FileRow] = ()) -> None:
        """Of rows in any order, quickest in byte order of their paths; of equal paths the last one stands."""
        self._paths = PathTable()
        self._sizes = Numbers()
        self._modified = Numbers()
        self._flags = bytearray()
        self._evidence = bytearray()
        self._algorithms: dict[tuple[str, ...], int] = {}
        self._names: list[tuple[str, ...]] = []
        self._texts = bytearray()
        self._ends = array("Q", [0])
        self._add(rows)
        if not self._paths.ordered:
            other = self._reordered()
            for name in self.__slots__:
                setattr(self, name, getattr(other, name))

    def _add(self, rows: Iterable[FileRow]) -> None:
        for row in rows:
            self._paths.add(row.path)
            self._sizes.add(row.size)
            self._modified.add(row.modified_ns)
            self._flags.append(_STATES.index(row.state) | (_PROVEN if row.proven else 0))
            self._evidence.append(_EVIDENCE.index(row.evidence))
            names = tuple(row.hashes)
            number = self._algorithms.setdefault(names, len(self._names))
            if number == len(self._names):
                self._names.append(names)
            # no hash text holds a space
            self._texts += b"%d %b" % (number, " ".join(row.hashes.values()).encode("ascii"))
            self._ends.append(len(self._texts))

    def _reordered(self) -> RowTable:
        last = {self._paths.path(number): number for number in range(len(self))}
        return RowTable(self._row(last[path]) for path in sorted(last))

    def __len__(self) -> int:
        return len(self._paths)

    def __iter__(self) -> Iterator[bytes]:
        return (self._paths.path(number) for number in range(len(self)))

    def __contains__(self, path: object) -> bool:
        return isinstance(path, bytes) and self._paths.find(path) is not None

    def __getitem__(self, path: bytes) -> FileRow:
        number = self._paths.find(path)
        if number is None:
            raise KeyError(path)
        return self._row(number)

    def _row(self, number: int) -> FileRow:
        kind, *texts = bytes(self._texts[self._ends[number] : self._ends[number + 1]]).decode("ascii").split(" ")
        names = self._names[int(kind)]
        flags = self._flags[number]
        return FileRow(
            self._paths.path(number),
            self._sizes[number],
            self._modified[number],
            dict(zip(names, texts[: len(names)], strict=True)),
            bool(flags & _PROVEN),
            _STATES[flags & ~_PROVEN],
            _EVIDENCE[self._evidence[number]],
        )
