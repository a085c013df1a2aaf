"""What a copy should hold by its records and manifests, one file at a time in byte order of the paths."""

from __future__ import annotations

import contextlib
import heapq
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field

from rollproof.ascmhl.glance import glance_history
from rollproof.ascmhl.model import Expected, History
from rollproof.ascmhl.read import read_history
from rollproof.copies.strangers import noted_strangers
from rollproof.hashing import raw_of
from rollproof.models.volumes import Volume
from rollproof.records.chain import read_chain
from rollproof.records.rows import FileRow
from rollproof.records.standing import Standing, standing
from rollproof.storage.files import open_below
from rollproof.storage.io import Io


@dataclass(slots=True)
class Recorded:
    """One file that should be there. `size` and `modified_ns` are None where only a manifest without them knows it."""

    path: bytes
    size: int | None
    modified_ns: int | None
    row: FileRow | None
    noted: Expected | None

    @property
    def hashes(self) -> dict[str, str]:
        """Its hashes by algorithm; the record's word goes before the manifest's."""
        if self.noted is None:
            return self.row.hashes if self.row is not None else {}
        if self.row is not None and all(name in self.row.hashes for name, _ in self.noted.shape):
            return self.row.hashes
        return {**self.noted.hashes, **(self.row.hashes if self.row is not None else {})}

    @property
    def disagrees(self) -> bool:
        """Whether record and manifest give it different hashes."""
        if self.row is None or self.noted is None:
            return False
        hashes = self.row.hashes
        return any(
            name in hashes and hashes[name] != raw.hex() and raw_of(name, hashes[name]) != raw
            for name, raw, _ in self.noted.good()
        )


def merged(
    found: Standing | None, noted: Mapping[bytes, Expected], strangers: Collection[bytes] = ()
) -> Iterator[Recorded]:
    """Records and manifests side by side; `strangers` that only a manifest knows are not among them. Raises BadRecord
    or OSError when a record cannot be read through."""
    rows = (row for row in found.iter_files() if row.hashes) if found is not None else iter(())
    if not noted:
        for row in rows:
            yield Recorded(row.path, row.size, row.modified_ns, row, None)
        return
    manifests = iter(sorted(noted))
    path = next(manifests, None)
    for row in rows:
        while path is not None and path < row.path:
            if path not in strangers:
                yield Recorded(path, noted[path].size, None, None, noted[path])
            path = next(manifests, None)
        if path == row.path:
            yield Recorded(row.path, row.size, row.modified_ns, row, noted[row.path])
            path = next(manifests, None)
        else:
            yield Recorded(row.path, row.size, row.modified_ns, row, None)
    while path is not None:
        if path not in strangers:
            yield Recorded(path, noted[path].size, None, None, noted[path])
        path = next(manifests, None)


@dataclass(slots=True)
class Papers:
    """The manifests of one roll folder: its own history and those inside it, as one."""

    history: History
    inner: list[tuple[bytes, History]] = field(default_factory=list)

    @property
    def expected(self) -> Mapping[bytes, Expected]:
        """What all of them say, by path from the roll's top."""
        if not self.inner:
            return self.history.expected
        found = dict(self.history.expected)
        for folder, history in self.inner:
            found.update({folder + b"/" + path: expected for path, expected in history.expected.items()})
        return found


def read_papers(io: Io, handle: int, inner: tuple[bytes, ...]) -> Papers:
    """The manifests below an open roll folder; `inner` are the folders in it with a history of their own."""
    papers = Papers(_history(io, handle))
    for folder in inner:
        below = open_below(io, handle, folder)
        try:
            papers.inner.append((folder, _history(io, below)))
        finally:
            io.close(below)
    return papers


def _history(io: Io, handle: int) -> History:
    found = glance_history(io, handle)
    return found if found is not None else read_history(io, handle)


@contextlib.contextmanager
def opened_copy(io: Io, path: bytes) -> Iterator[int]:
    """The handle of a roll folder."""
    handle = io.open_root(path)
    try:
        yield handle
    finally:
        with contextlib.suppress(OSError):
            io.close(handle)


@contextlib.contextmanager
def recorded_files(io: Io, path: bytes, inner: tuple[bytes, ...], volume: Volume) -> Iterator[Iterator[Recorded]]:
    """Open a copy again and go through what it should hold. Raises as `merged`; OSError when it does not open."""
    with opened_copy(io, path) as handle:
        chain = read_chain(io, handle)
        found = standing(io, handle, chain, volume)
        yield merged(found, read_papers(io, handle, inner).expected, noted_strangers(io, handle, chain))


def side_by_side(streams: list[Iterator[Recorded]]) -> Iterator[tuple[bytes, dict[int, Recorded]]]:
    """Several copies in path order: each path once, with what each copy (by its number) says of it."""
    numbered = [_numbered(stream, number) for number, stream in enumerate(streams)]
    at: bytes | None = None
    there: dict[int, Recorded] = {}
    for path, number, entry in heapq.merge(*numbered, key=lambda item: item[:2]):
        if path != at:
            if at is not None:
                yield at, there
            at, there = path, {}
        there[number] = entry
    if at is not None:
        yield at, there


def _numbered(stream: Iterator[Recorded], number: int) -> Iterator[tuple[bytes, int, Recorded]]:
    for entry in stream:
        yield entry.path, number, entry
