"""Small data sets and histories for the tests of the open standard."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rollproof.ascmhl.manifest_xml import ManifestBody
from rollproof.ascmhl.model import (
    Action,
    Author,
    Creator,
    FileHash,
    Generation,
    History,
    Process,
    Reference,
    WrittenManifest,
)
from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.write import write_generation
from rollproof.hashing import new_hasher
from rollproof.models.findings import Kind
from rollproof.storage.io import Io
from rollproof.storage.system import system_io

START = datetime(2026, 5, 14, 8, 15, 2, tzinfo=UTC)
MODIFIED_NS = 1_778_745_600_120_000_000

BELL: dict[bytes, bytes] = {
    b"A003/A003C001.mov": b"the furnace is lit",
    b"A003/A003C002.mov": b"bronze runs into the mould",
    b"A003/LOOK/A003C002.cube": b"",
    b"A003-notes.txt": b"between A003 and A003/ in byte order",
    b"README.txt": b"The Bell Foundry, unit main, camera A",
}
FOLDERS: Sequence[bytes] = (b"A003", b"A003/LOOK", b"EMPTY")


def hashed(data: bytes, *algorithms: str) -> dict[str, str]:
    """The hashes of some bytes in text form."""
    out: dict[str, str] = {}
    for name in algorithms:
        hasher = new_hasher(name)
        hasher.update(data)
        out[name] = hasher.text()
    return out


def files_of(
    tree: Mapping[bytes, bytes], *algorithms: str, action: Action = Action.ORIGINAL, modified_ns: int = MODIFIED_NS
) -> list[FileHash]:
    """The entries of a tree, in order."""
    return [
        FileHash(path, len(data), modified_ns, hashed(data, *(algorithms or ("xxh128",))), action)
        for path, data in sorted(tree.items())
    ]


def generation(
    files: Sequence[FileHash],
    folders: Sequence[bytes] = (),
    *,
    process: Process = Process.TRANSFER,
    algorithms: tuple[str, ...] = ("xxh128",),
    later_seconds: int = 0,
    ignore_patterns: tuple[str, ...] = (),
    references: tuple[Reference, ...] = (),
    inner: tuple[bytes, ...] = (),
) -> Generation:
    """A generation of the bell foundry's station."""
    return Generation(
        process=process,
        started_at=START + timedelta(seconds=later_seconds),
        creator=Creator("cart-1", "rollproof", "0.1.0", (Author("", role="data wrangler"),), "foundry yard", "day 3"),
        algorithms=algorithms,
        files=files,
        folders=folders,
        ignore_patterns=ignore_patterns,
        references=references,
        inner=inner,
    )


@dataclass(slots=True)
class Roll:
    """A roll folder on disk with its handle."""

    io: Io
    path: Path
    handle: int

    @property
    def history_path(self) -> Path:
        return self.path / "ascmhl"

    @property
    def chain_path(self) -> Path:
        return self.history_path / "ascmhl_chain.xml"

    def append(self, new: Generation, *, body: ManifestBody | None = None) -> WrittenManifest:
        return write_generation(self.io, self.handle, os.fsencode(self.path.name), new, body=body)

    def read(self) -> History:
        return read_history(self.io, self.handle)

    def manifest(self, written: WrittenManifest) -> Path:
        return self.history_path / os.fsdecode(written.name)


@contextlib.contextmanager
def opened_roll(path: Path) -> Iterator[Roll]:
    """A roll folder, created and opened."""
    path.mkdir(parents=True, exist_ok=True)
    io = system_io()
    handle = io.open_root(os.fsencode(path))
    try:
        yield Roll(io, path, handle)
    finally:
        io.close(handle)


def kinds(history: History) -> list[Kind]:
    """The kinds of a history's findings, in order."""
    return [finding.kind for finding in history.findings]
