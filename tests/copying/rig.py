"""A small offload without workflow, records or console: files in, proof board out."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rollproof.copying.drive_side import DriveSide
from rollproof.copying.engine import CardSide, CopyOutcome, EngineRun, Offloading
from rollproof.copying.plan import Action
from rollproof.copying.writer import WriteWays
from rollproof.hashing import proof_algorithm
from rollproof.models.events import Event
from rollproof.models.findings import Finding
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.models.volumes import MediumWay
from rollproof.proof.board import ProofBoard
from rollproof.reading.settings import Settings
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.system import system_io

SMALL = Settings(
    block_bytes=64 << 10, small_file_bytes=16 << 10, flush_files=4, flush_bytes=64 << 10, stall_seconds=2.0,
    cancel_seconds=1.0,
)  # fmt: skip


def listing(root: Path) -> Snapshot:
    """All files and folders below `root`, without the card package."""
    top = os.fsencode(root)
    files: list[FileEntry] = []
    folders: list[bytes] = []
    for folder, below, names in os.walk(top):
        folders += [os.path.relpath(os.path.join(folder, name), top) for name in below]
        for name in names:
            found = os.stat(os.path.join(folder, name))
            path = os.path.relpath(os.path.join(folder, name), top)
            files.append(FileEntry(path, found.st_size, found.st_mtime_ns))
    return Snapshot(tuple(sorted(files, key=lambda entry: entry.path)), tuple(sorted(folders)), (), (), "")


@dataclass
class Work:
    """A drive's own part, as small as it can be."""

    io: Io
    path: Path
    before_seal: Callable[[], None] = lambda: None
    interrupted: bool = False

    def prepare(self) -> int:
        self.path.mkdir(exist_ok=True)
        return self.io.open_root(os.fsencode(self.path))

    def seal(self) -> str:
        self.before_seal()
        return "sealed"

    def note_interrupted(self) -> None:
        self.interrupted = True


@dataclass
class Run:
    """How one offload went."""

    outcome: CopyOutcome
    board: ProofBoard
    snapshot: Snapshot
    events: list[Event]
    works: dict[str, Work]

    def proven(self, drive: str) -> set[bytes]:
        """Paths of the proven copies on a drive."""
        numbers = range(len(self.snapshot.files))
        return {self.snapshot.files[number].path for number in numbers if self.board.is_proven(drive, number)}

    def number(self, path: bytes) -> int:
        """A file's number."""
        return next(n for n, entry in enumerate(self.snapshot.files) if entry.path == path)


@dataclass
class Rig:
    """A card folder and drives below one temporary folder."""

    top: Path
    drives: Sequence[str] = ("one", "two")
    algorithms: Sequence[str] = ("xxh128",)
    settings: Settings = SMALL
    way: MediumWay = MediumWay.DIRECT
    rotational: Collection[str] = ()
    ways: WriteWays = field(default_factory=lambda: WriteWays(direct=True, allocate=True, volume_flush=True))

    @property
    def card(self) -> Path:
        """The card's folder."""
        return self.top / "card"

    def fill(self, sizes: dict[str, int]) -> None:
        """Files of these sizes with content of their own."""
        for name, size in sizes.items():
            path = self.card / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes((os.fsencode(name) * (size // len(os.fsencode(name)) + 1))[:size])
            os.utime(path, ns=(1_700_000_000_123_456_789, 1_700_000_000_123_456_789))

    def run(
        self,
        *,
        io: Io | None = None,
        actions: dict[str, bytes] | None = None,
        passes: int = 2,
        cancel: Cancel | None = None,
        on_event: Callable[[Event], None] = lambda event: None,
        before_seal: Callable[[], None] = lambda: None,
        settle: Callable[[Cancel], Sequence[Finding]] = lambda cancel: [],
    ) -> Run:
        """Offload the card to all drives."""
        io = io or system_io()
        snapshot = listing(self.card)
        board = ProofBoard(snapshot.files, self.drives, self.algorithms, proof_algorithm(self.algorithms))
        works = {name: Work(io, self.top / name, before_seal) for name in self.drives}
        events: list[Event] = []

        def emit(event: Event) -> None:
            events.append(event)
            on_event(event)

        sides = [
            DriveSide(
                name,
                (actions or {}).get(name, bytes([Action.COPY]) * len(snapshot.files)),
                self.ways,
                MediumAccess(io, self.way, at_once=self.settings.files_at_once),
                works[name],
                rotational=name in self.rotational,
            )
            for name in self.drives
        ]
        root = io.open_root(os.fsencode(self.card))
        card = CardSide(root, snapshot, MediumAccess(io, self.way, at_once=self.settings.files_at_once), passes, settle)
        outcome = Offloading(io, "A003", card, sides, board, EngineRun(self.settings, cancel or Cancel(), emit)).run()
        return Run(outcome, board, snapshot, events, works)
