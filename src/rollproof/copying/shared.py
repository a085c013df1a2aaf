"""What all lanes of one offload work with."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rollproof.copying.helping import Helping
from rollproof.models.events import Emit
from rollproof.models.tree import FileEntry
from rollproof.proof.board import ProofBoard
from rollproof.reading.buffers import BufferPool
from rollproof.reading.settings import Settings
from rollproof.storage.io import Io


@dataclass(frozen=True, slots=True)
class Shared:
    """One offload, as its lanes see it. `stop_asked` says whether the end was asked for, `source_settled` is set when
    the source was looked at after its last read, and `changed` tells the engine to look at the lanes."""

    io: Io
    roll: str
    files: Sequence[FileEntry]
    empty_folders: Sequence[bytes]
    board: ProofBoard
    pool: BufferPool
    settings: Settings
    helping: Helping
    stop_asked: Callable[[], bool]
    source_settled: threading.Event
    emit: Emit
    changed: Callable[[], None]
