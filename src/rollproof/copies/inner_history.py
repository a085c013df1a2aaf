"""Histories inside a history, on the new drive: the outer one refers to the manifests of the inner ones.

ASC MHL v1.0, nested histories: a file is recorded only in the nearest history above it. The outer manifest holds the
hashes of all folders, those of the inner data sets too, and refers to every inner manifest by its path and C4, so that
none can be dropped or changed unnoticed.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from rollproof.ascmhl.model import FileHash, FolderHash, Generation, History, Reference
from rollproof.ascmhl.nested import references_to
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.read import open_manifest, read_history
from rollproof.models.names import RECORDS_FOLDER
from rollproof.models.reads import Shape, packed, unpacked
from rollproof.storage.files import open_below
from rollproof.storage.io import Io

_INNER_RECORDS = f"{RECORDS_FOLDER.decode()}/"
"""An outer manifest's ignore pattern: the records of inner rolls lie deeper than its own anchored pattern reaches."""


class InnerSets:
    """The data sets inside an open folder, as their newest whole generations tell of them.

    Hashes are held packed, some 200 bytes for a file. Raises UntrustedInput for a manifest that breaks the format and
    OSError when the drive fails.
    """

    def __init__(self, io: Io, top: int, inner: Sequence[bytes]) -> None:
        self.histories: list[tuple[bytes, History]] = []
        self.folders: set[bytes] = set()
        self._files: dict[bytes, tuple[Shape, bytes]] = {}
        for folder in inner:
            handle = open_below(io, top, folder)
            try:
                history = read_history(io, handle)
                self.histories.append((folder, history))
                self._take(io, handle, folder, history)
            finally:
                with contextlib.suppress(OSError):
                    io.close(handle)

    def _take(self, io: Io, handle: int, folder: bytes, history: History) -> None:
        self.folders |= set(_above(folder))
        if history.newest is None:
            return
        for item in open_manifest(io, handle, history.newest.name, Noted()):
            path = folder + b"/" + item.path
            if isinstance(item, FileHash):
                self._files[path] = packed(item.hashes)
            elif isinstance(item, FolderHash) and item.path not in (b"", b"."):
                self.folders.add(path)

    @property
    def algorithms(self) -> tuple[str, ...]:
        """Those that every file in them has a hash of: by these the folders above can be told."""
        shapes = [set(shape) for shape in {shape for shape, _ in self._files.values()}]
        return tuple(sorted(set.intersection(*shapes))) if shapes else ()

    @property
    def references(self) -> tuple[Reference, ...]:
        """To every manifest of every one of them."""
        return references_to(self.histories)

    def merged(self, own: Iterable[FileHash]) -> Merged:
        """Their files among the outer set's own."""
        return Merged(own, self._files)


class Merged:
    """Files of the outer set and of the inner ones in byte order of their paths, as often as they are gone through."""

    def __init__(self, own: Iterable[FileHash], inner: dict[bytes, tuple[Shape, bytes]]) -> None:
        self._own = own
        self._inner = inner
        self._order = sorted(inner)

    def __iter__(self) -> Iterator[FileHash]:
        position = 0
        for file in self._own:
            while position < len(self._order) and self._order[position] < file.path:
                yield self._one(self._order[position])
                position += 1
            yield file
        for path in self._order[position:]:
            yield self._one(path)

    def _one(self, path: bytes) -> FileHash:
        return FileHash(path, None, None, unpacked(*self._inner[path]))


def with_inner(generation: Generation, sets: InnerSets, inner: Sequence[bytes]) -> Generation:
    """The outer generation that refers to these inner sets."""
    return replace(
        generation,
        files=sets.merged(generation.files),
        folders=tuple(sorted(sets.folders | set(generation.folders))),
        inner=tuple(inner),
        references=sets.references,
        ignore_patterns=tuple(dict.fromkeys((*generation.ignore_patterns, _INNER_RECORDS))),
    )


def _above(folder: bytes) -> Iterator[bytes]:
    """The folder and all above it below the top."""
    while folder:
        yield folder
        folder = folder.rpartition(b"/")[0]
