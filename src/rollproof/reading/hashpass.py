"""Hashing parcels as they come, and whole passes that only hash: read-back, the second read of the card, verify."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from rollproof.hashing import Hasher, new_hasher
from rollproof.models.findings import Finding
from rollproof.models.volumes import Evidence
from rollproof.proof.evidence import evidence_of, rank_of
from rollproof.reading.buffers import BufferPool
from rollproof.reading.parcels import ParcelStream, ReadAhead, Segment, Stopped
from rollproof.reading.settings import Settings
from rollproof.reading.treereader import TreeReader

OnHashed = Callable[[int, dict[str, str], Evidence], None]
"""File number, text form by algorithm, evidence of the read."""
OnFault = Callable[[int, Finding], None]
OnMoved = Callable[[int, int, int], None]
"""Bytes, whole files, number of the file being worked on."""


class SegmentHasher:
    """Keeps the hash states of the file in hand; files come one after the other."""

    def __init__(
        self,
        algorithms: Sequence[str],
        on_hashed: OnHashed,
        on_fault: OnFault | None,
        *,
        also: Callable[[Segment, memoryview], None] | None = None,
    ) -> None:
        """`also` sees the bytes of every segment that is hashed."""
        self._also = also
        self._algorithms = algorithms
        self._on_hashed = on_hashed
        self._on_fault = on_fault
        self._rank = 0
        self._states: list[Hasher] = []
        self._faulty = -1

    def take(self, segment: Segment, view: memoryview) -> None:
        """Hash one segment; reports when its file is complete or faulty."""
        if segment.fault is not None:
            self._states = []
            if self._faulty != segment.file and self._on_fault is not None:
                self._on_fault(segment.file, segment.fault)
            self._faulty = segment.file
            return
        if segment.file == self._faulty:
            return
        if segment.offset == 0:
            self._rank = 0
            self._states = [new_hasher(name) for name in self._algorithms]
        piece = view[segment.start : segment.start + segment.length]
        for state in self._states:
            state.update(piece)
        if self._also is not None:
            self._also(segment, piece)
        self._rank = max(self._rank, rank_of(segment.evidence))
        if segment.last:
            texts = {name: state.text() for name, state in zip(self._algorithms, self._states, strict=True)}
            self._on_hashed(segment.file, texts, evidence_of(self._rank))


def consume(stream: ParcelStream, name: str, hasher: SegmentHasher, on_moved: OnMoved | None) -> None:
    """Hash a stream to its end, as the consumer `name`. Raises what `ParcelStream.parcels` raises."""
    for parcel in stream.parcels(name):
        view = parcel.buffer.view
        moved = files = 0
        for segment in parcel.segments:
            hasher.take(segment, view)
            moved += segment.length
            files += segment.last
        number = parcel.segments[-1].file if parcel.segments else -1
        stream.done(name, parcel)
        if on_moved is not None and number >= 0:
            on_moved(moved, files, number)


@dataclass(frozen=True, slots=True)
class PassSettings:
    """How one pass is run: `depth` reads in flight (None: as in the settings), threads called by its `name`. See
    `ReadAhead` for the others."""

    name: str
    stop_asked: Callable[[], bool]
    depth: int | None = None
    stall_seconds: float | None = None


class HashPass:
    """One pass over files of a tree that only hashes.

    Reading and hashing run at once. Files that cannot be read go to `on_fault` and the rest goes on; `TreeLost` ends
    the pass, `Stopped` when the end was asked for, `Stalled` when no read came back for too long.
    """

    def __init__(
        self, pool: BufferPool, reader: TreeReader, algorithms: Sequence[str], settings: Settings, how: PassSettings
    ) -> None:
        self._pool = pool
        self._reader = reader
        self._algorithms = algorithms
        self._settings = settings
        self._name = how.name
        depth = how.depth or settings.pass_depth
        self._ahead = ReadAhead(
            how.name, depth, max(settings.pass_buffers, depth + 1), how.stop_asked, how.stall_seconds
        )
        self.hangs = False
        """Whether a read did not come back: then the handles of the tree must not be closed, they are in use."""

    def run(
        self, numbers: Iterable[int], on_hashed: OnHashed, on_fault: OnFault, on_moved: OnMoved | None = None
    ) -> None:
        """Read and hash these files. Callbacks come from the calling thread."""
        self._reader.begin_pass()
        stream = ParcelStream(self._pool, self._reader.jobs(numbers), [self._name], self._ahead)
        stream.start()
        try:
            consume(stream, self._name, SegmentHasher(self._algorithms, on_hashed, on_fault), on_moved)
            if self._ahead.stop_asked():
                raise Stopped
        finally:
            stream.stop()
            self.hangs = not stream.wait_workers(self._settings.workers_end_seconds)
            if not self.hangs:
                self._reader.close()  # never under a worker that still reads: handle numbers are used again
