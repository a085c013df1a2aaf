"""What a tree holds, as it was read: hashes by path for very many files, close together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from rollproof.models.file_table import find_file
from rollproof.models.texts import TextTable
from rollproof.models.tree import FileEntry


class HashesByPath(Mapping[bytes, Mapping[str, str]]):
    """Hashes (text by algorithm) of the files of one tree that were read. `files` are in byte order of their paths.

    `read` is by number, from the read itself; `remembered` by path, from what was noted earlier.
    """

    def __init__(self, files: Sequence[FileEntry] = ()) -> None:
        self._files = files
        self._tables: dict[str, TextTable] = {}
        self._elsewhere: dict[bytes, dict[str, str]] = {}

    def take_in(self, number: int, texts: Mapping[str, str]) -> None:
        """A file was read to its end."""
        for algorithm, text in texts.items():
            self._table(algorithm).set(number, text)

    def remembered(self, path: bytes, algorithm: str, text: str) -> str:
        """Take in what was noted of a file, unless something was already: returns what stands now,
        which is another text than the one given where the two cannot both be right."""
        number = find_file(self._files, path)
        if number is None:
            return self._elsewhere.setdefault(path, {}).setdefault(algorithm, text)
        table = self._table(algorithm)
        before = table.get(number)
        if before is not None:
            return before
        try:
            table.set(number, text)
        except ValueError:
            return ""  # no hash of this algorithm is so long: the note is damaged, and says nothing
        return text

    def clear(self) -> None:
        """Nothing is known any more."""
        self._tables.clear()
        self._elsewhere.clear()

    def of(self, number: int) -> dict[str, str]:
        """The hashes of a file by its number; empty when it was not read."""
        return {algorithm: text for algorithm, table in self._tables.items() if (text := table.get(number)) is not None}

    def texts(self, algorithm: str) -> Iterator[str]:
        """Every hash of one algorithm, in no order."""
        table = self._tables.get(algorithm)
        if table is not None:
            yield from (text for number in range(len(self._files)) if (text := table.get(number)) is not None)
        yield from (texts[algorithm] for texts in self._elsewhere.values() if algorithm in texts)

    def _table(self, algorithm: str) -> TextTable:
        return self._tables.setdefault(algorithm, TextTable(len(self._files)))

    def __getitem__(self, path: bytes) -> dict[str, str]:
        number = find_file(self._files, path)
        texts = self._elsewhere.get(path, {}) if number is None else self.of(number)
        if not texts:
            raise KeyError(path)
        return texts

    def __iter__(self) -> Iterator[bytes]:
        yield from (entry.path for number, entry in enumerate(self._files) if self.of(number))
        yield from self._elsewhere

    def __len__(self) -> int:
        return sum(1 for _ in self)
