"""Content and structure hashes of every folder, from a flat sorted list, one folder chain in memory at a time.

ASC MHL v1.0, directory hashes. Children of a folder: *content* is made of the file hashes and the folders' content
hashes; *structure* of, for each child, the hash of its name followed by its raw hash (for a folder its structure
hash). Either list is sorted by hash text, decoded to raw bytes and fed to one hash of the same algorithm. Sorting
the raw bytes gives the same order, because both text forms have a fixed length and ascending digits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rollproof.ascmhl.model import FileHash, FolderHash
from rollproof.ascmhl.standard import is_ignored, why_not_recorded
from rollproof.hashing import ALGORITHMS, Algorithm, raw_of, text_of

REMEMBERED_FOLDERS = 10_000
"""So many folder hashes are kept from one pass over the files to the next; beyond, they are worked out anew."""


class _Column:
    """The children of one folder in one algorithm: raw hashes end to end, so that 200,000 of them stay small."""

    __slots__ = ("algorithm", "complete", "content", "structure")

    def __init__(self, algorithm: Algorithm) -> None:
        self.algorithm = algorithm
        self.content = bytearray()
        self.structure = bytearray()
        self.complete = True

    def add(self, name: bytes, content: bytes, structure: bytes) -> None:
        named = self.algorithm.factory()
        named.update(name + structure)
        self.content += content
        self.structure += named.digest()

    def _over(self, packed: bytearray) -> bytes:
        width = self.algorithm.raw_bytes
        digest = self.algorithm.factory()
        digest.update(b"".join(sorted(bytes(packed[at : at + width]) for at in range(0, len(packed), width))))
        return digest.digest()

    def closed(self) -> tuple[bytes, bytes]:
        return self._over(self.content), self._over(self.structure)


class _Level:
    """An open folder: the length of its path with its slash, and one column per algorithm."""

    __slots__ = ("columns", "length")

    def __init__(self, length: int, algorithms: Sequence[Algorithm]) -> None:
        self.length = length
        self.columns = [_Column(algorithm) for algorithm in algorithms]

    def spoil(self) -> None:
        """Something inside cannot be recorded: the folder's hashes cannot be told."""
        for column in self.columns:
            column.complete = False


def _merged(files: Iterable[FileHash], folders: Iterable[bytes]) -> Iterator[tuple[bytes, FileHash | None]]:
    """Files and folders in byte order of their paths, a folder's path ending in a slash: every folder's inside is
    then one stretch. Raises ValueError when the files are not in that order or one comes twice."""
    ordered = sorted({folder + b"/" for folder in folders})
    position = 0
    last: bytes | None = None
    for file in files:
        if last is not None and file.path <= last:
            raise ValueError("files must come in byte order of their paths, each once")
        last = file.path
        while position < len(ordered) and ordered[position] < file.path:
            yield ordered[position], None
            position += 1
        yield file.path, file
    for folder in ordered[position:]:
        yield folder, None


def fold(
    files: Iterable[FileHash], folders: Iterable[bytes], algorithms: Sequence[str]
) -> Iterator[FileHash | FolderHash]:
    """Pass every file through, and yield each folder's hashes when everything in it has passed; the top (empty path)
    comes last.

    `files` in byte order of their paths, each once (ValueError otherwise), `folders` in any order; folders that only
    files tell of are found by themselves. What the standard ignores is dropped. A file without a hash in an algorithm,
    or a name that XML cannot hold, leaves the folders above it without a hash in that algorithm, or any.
    """
    known = [ALGORITHMS[name] for name in algorithms]
    levels = [_Level(0, known)]
    current = b""
    for path, file in _merged(files, folders):
        if is_ignored(path):
            continue
        prefix = path if file is None else path[: path.rfind(b"/") + 1]
        if prefix != current:
            while not prefix.startswith(current[: levels[-1].length]):
                yield _close(levels, current)
            current = prefix
            while levels[-1].length < len(prefix):
                levels.append(_Level(prefix.index(b"/", levels[-1].length) + 1, known))
        if why_not_recorded(path):
            levels[-1].spoil()
        elif file is not None:
            name = path[len(prefix) :]
            for column in levels[-1].columns:
                text = file.hashes.get(column.algorithm.name)
                if text is None:
                    column.complete = False
                elif column.complete:
                    raw = raw_of(column.algorithm.name, text)
                    column.add(name, raw, raw)
        if file is not None:
            yield file
    while levels:
        yield _close(levels, current)


class FoldedTwice:
    """Goes through the same files twice as `fold` does, and works the folders' hashes out in the first pass only.
    Whoever calls sees to it that both passes get the same files.
    """

    def __init__(self, folders: Sequence[bytes], algorithms: Sequence[str]) -> None:
        self._folders = folders
        self._algorithms = algorithms
        self._closed: list[tuple[int, FolderHash]] = []
        self._all_kept = True

    def first(self, files: Iterable[FileHash]) -> Iterator[FileHash | FolderHash]:
        """See `fold`."""
        passed = 0
        for item in fold(files, self._folders, self._algorithms):
            if isinstance(item, FileHash):
                passed += 1
            elif len(self._closed) < REMEMBERED_FOLDERS:
                self._closed.append((passed, item))
            else:
                self._all_kept = False
            yield item

    def again(self, files: Iterable[FileHash]) -> Iterator[FileHash | FolderHash]:
        """The same once more, after `first` came to its end."""
        if not self._all_kept:
            yield from fold(files, self._folders, self._algorithms)
            return
        passed = at = 0
        closed = self._closed
        for file in files:
            if is_ignored(file.path):
                continue
            while at < len(closed) and closed[at][0] == passed:
                yield closed[at][1]
                at += 1
            yield file
            passed += 1
        for _, folder in closed[at:]:
            yield folder


def _close(levels: list[_Level], current: bytes) -> FolderHash:
    level = levels.pop()
    path = current[: max(level.length - 1, 0)]
    content: dict[str, str] = {}
    structure: dict[str, str] = {}
    for index, column in enumerate(level.columns):
        above = levels[-1].columns[index] if levels else None
        if not column.complete:
            if above is not None:
                above.complete = False
            continue
        raw_content, raw_structure = column.closed()
        content[column.algorithm.name] = text_of(column.algorithm.name, raw_content)
        structure[column.algorithm.name] = text_of(column.algorithm.name, raw_structure)
        if above is not None and above.complete:
            above.add(path[levels[-1].length :], raw_content, raw_structure)
    return FolderHash(path, content, structure)
