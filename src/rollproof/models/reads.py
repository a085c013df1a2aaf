"""Hashes by the hundred thousand, kept small: what a copy ought to hold, and what was read of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from rollproof.models.tree import FileEntry

Shape = tuple[str, ...]
"""Names of the algorithms of some packed hashes, in order."""

_shapes: dict[Shape, Shape] = {}


def packed(texts: Mapping[str, str]) -> tuple[Shape, bytes]:
    """The names, shared by all files with the same ones, and the hashes' texts end to end: a fifth of a dictionary."""
    shape = tuple(texts)
    return _shapes.setdefault(shape, shape), " ".join(texts.values()).encode("ascii")


def unpacked(shape: Shape, texts: bytes) -> dict[str, str]:
    """The hashes by algorithm again."""
    return dict(zip(shape, texts.decode("ascii").split(" "), strict=True)) if shape else {}


class Reads:
    """What was read of the files of one walk, by file number; numbers are in byte order of the paths."""

    def __init__(self, files: Sequence[FileEntry]) -> None:
        self._files = files
        self._shapes: list[Shape | None] = [None] * len(files)
        self._texts: list[bytes] = [b""] * len(files)
        self._count = 0
        self.size_bytes = 0

    def add(self, number: int, texts: Mapping[str, str]) -> None:
        """A file was read to its end."""
        if self._shapes[number] is None:
            self._count += 1
            self.size_bytes += self._files[number].size
        self._shapes[number], self._texts[number] = packed(texts)

    def __len__(self) -> int:
        return self._count

    def __contains__(self, number: int) -> bool:
        return self._shapes[number] is not None

    def texts(self, number: int) -> dict[str, str]:
        """The hashes of a file; empty when it was not read."""
        shape = self._shapes[number]
        return {} if shape is None else unpacked(shape, self._texts[number])

    def shapes(self) -> set[Shape]:
        """Every set of algorithms that some file was read with."""
        return {shape for shape in self._shapes if shape is not None}

    def __iter__(self) -> Iterator[tuple[FileEntry, dict[str, str]]]:
        """Every file that was read, in byte order of the paths, with its hashes."""
        for number, entry in enumerate(self._files):
            if number in self:
                yield entry, self.texts(number)
