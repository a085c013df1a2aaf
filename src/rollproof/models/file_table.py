"""Very many files close together: the paths in one piece of memory, sizes and times in arrays.

A list of 200,000 `FileEntry` takes 45 MiB, the same as a table some 12. Entries are made anew whenever they are asked
for, so whoever needs one several times keeps it.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice, repeat
from operator import attrgetter
from typing import overload

from rollproof.models.tree import FileEntry

_HELD = 1 << 63
_TOGETHER = 1024
"""So many paths are cut out of one piece of text, without a step of the interpreter for each."""


class PathTable:
    """Paths by number, in the order in which they were added."""

    __slots__ = ("_ends", "_hint", "_last", "_ordered", "_text")

    def __init__(self) -> None:
        self._text = bytearray()
        self._ends = array("Q", [0])
        self._last: bytes | None = None
        self._ordered = True
        self._hint = 0

    def __len__(self) -> int:
        return len(self._ends) - 1

    def add(self, path: bytes) -> None:
        """The next one."""
        self._ordered = self._ordered and (self._last is None or self._last < path)
        self._last = path
        self._text += path
        self._ends.append(len(self._text))

    def path(self, number: int) -> bytes:
        """The path of a number from 0 on. IndexError beyond the last one."""
        if number < 0:
            raise IndexError(number)
        ends = self._ends
        return bytes(self._text[ends[number] : ends[number + 1]])

    def __iter__(self) -> Iterator[bytes]:
        return chain.from_iterable(map(self._some, range(0, len(self), _TOGETHER)))

    def _some(self, first: int) -> Iterator[bytes]:
        """The paths from a number on, as many as are cut out together."""
        ends = self._ends[first : first + _TOGETHER + 1]
        begin = ends[0]
        text = bytes(self._text[begin : ends[-1]])
        places = [end - begin for end in ends]
        return map(text.__getitem__, map(slice, places, islice(places, 1, None)))

    @property
    def ordered(self) -> bool:
        """Whether they came in byte order, each once."""
        return self._ordered

    def find(self, path: bytes) -> int | None:
        """The number of a path, or None. Quick where one is asked for after the other in their order. ValueError when
        they did not come in byte order."""
        if not self._ordered:
            raise ValueError("only paths in byte order can be looked up")
        near = self._hint  # (another thread may move it: it is only where to look first)
        for at in (near, near + 1):
            if at < len(self) and self.path(at) == path:
                self._hint = at
                return at
        at = bisect_left(range(len(self)), path, key=self.path)
        if at == len(self) or self.path(at) != path:
            return None
        self._hint = at
        return at


class Numbers:
    """Whole numbers of any size by place, eight bytes for each that fits."""

    __slots__ = ("_beyond", "_held")

    def __init__(self) -> None:
        self._held = array("q")
        self._beyond: dict[int, int] = {}

    def add(self, value: int) -> None:
        """The next one."""
        if not -_HELD <= value < _HELD:
            self._beyond[len(self._held)] = value
            value = 0
        self._held.append(value)

    def __iter__(self) -> Iterator[int]:
        if not self._beyond:
            return iter(self._held)
        return (self[place] for place in range(len(self._held)))

    def __getitem__(self, place: int) -> int:
        return self._beyond.get(place, self._held[place]) if self._beyond else self._held[place]


class FileTable(Sequence[FileEntry]):
    """Entries by number, as they were added; equal to any sequence of equal entries."""

    __slots__ = ("_modified", "_paths", "_sizes")

    def __init__(self, entries: Iterable[FileEntry] = ()) -> None:
        self._paths = PathTable()
        self._sizes = Numbers()
        self._modified = Numbers()
        for entry in entries:
            self.add(entry.path, entry.size, entry.modified_ns)

    def add(self, path: bytes, size: int, modified_ns: int) -> None:
        """The next file."""
        self._paths.add(path)
        self._sizes.add(size)
        self._modified.add(modified_ns)

    def in_byte_order(self) -> FileTable:
        """The same files in byte order of their paths; itself when they are."""
        if self._paths.ordered:
            return self
        return FileTable(self[number] for number in sorted(range(len(self)), key=self._paths.path))

    def find(self, path: bytes) -> int | None:
        """The number of a path, or None. ValueError when the files are not in byte order."""
        return self._paths.find(path)

    def paths(self) -> Iterator[bytes]:
        """Every path, without an entry being made of any."""
        return iter(self._paths)

    def sizes(self, numbers: Iterable[int]) -> Iterator[int]:
        """The bytes of each of these files, without an entry being made of any."""
        return map(self._sizes.__getitem__, numbers)

    def __len__(self) -> int:
        return len(self._paths)

    @overload
    def __getitem__(self, number: int) -> FileEntry: ...
    @overload
    def __getitem__(self, number: slice) -> tuple[FileEntry, ...]: ...
    def __getitem__(self, number: int | slice) -> FileEntry | tuple[FileEntry, ...]:
        if isinstance(number, slice):
            return tuple(self[each] for each in range(*number.indices(len(self))))
        if number < 0:
            number += len(self)
        path = self._paths.path(number)  # IndexError beyond the last one, and so for what is still negative
        return FileEntry(path, self._sizes[number], self._modified[number])

    def __iter__(self) -> Iterator[FileEntry]:
        # what FileEntry(path, size, modified) does, without a step of the interpreter for each of 200,000
        return map(tuple.__new__, repeat(FileEntry), zip(self._paths, self._sizes, self._modified, strict=False))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence):
            return NotImplemented
        return len(self) == len(other) and all(one == two for one, two in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"FileTable({list(self)!r})"


class FilesByPath(Mapping[bytes, FileEntry]):
    """Files in byte order of their paths, by path."""

    __slots__ = ("_files",)

    def __init__(self, files: Sequence[FileEntry]) -> None:
        self._files = files

    def __getitem__(self, path: bytes) -> FileEntry:
        number = find_file(self._files, path)
        if number is None:
            raise KeyError(path)
        return self._files[number]

    def __contains__(self, path: object) -> bool:
        return isinstance(path, bytes) and find_file(self._files, path) is not None

    def __iter__(self) -> Iterator[bytes]:
        return (entry.path for entry in self._files)

    def __len__(self) -> int:
        return len(self._files)


def find_file(files: Sequence[FileEntry], path: bytes) -> int | None:
    """The number of a path among files in byte order of their paths, or None."""
    if isinstance(files, FileTable):
        return files.find(path)
    at = bisect_left(files, path, key=attrgetter("path"))
    return at if at < len(files) and files[at].path == path else None


def paths_of(files: Sequence[FileEntry]) -> Iterator[bytes]:
    """The path of each file."""
    return files.paths() if isinstance(files, FileTable) else (entry.path for entry in files)


def sizes_of(files: Sequence[FileEntry], numbers: Iterable[int]) -> Iterator[int]:
    """The bytes of each of these files."""
    return files.sizes(numbers) if isinstance(files, FileTable) else (files[number].size for number in numbers)


def size_of(files: Sequence[FileEntry], numbers: Iterable[int]) -> int:
    """The bytes of these files together."""
    return sum(sizes_of(files, numbers))
