"""A drive that fell behind gets the rest from another drive's flushed copy, so that the card is not read for it again.

Every file is hashed while it is read there, and the last of it is written only if the hash is that of the card's first
read: what a drive gave back wrongly never gets a final name on another one. The proof stays what it was, the drive's
own read-back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rollproof.copying.board import ProofBoard, SourceState
from rollproof.copying.buffers import BufferPool
from rollproof.copying.parcels import ParcelStream, Segment, Stalled, Stopped
from rollproof.copying.plan import same_time
from rollproof.copying.settings import Settings
from rollproof.copying.treereader import TreeLost, TreeReader
from rollproof.copying.writer import CopyWriter
from rollproof.hashing import Hasher, new_hasher
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Limits
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess

_HASH_POLL_SECONDS = 0.05
_WORKERS_END_SECONDS = 5.0


@dataclass(frozen=True, slots=True)
class Donor:
    """A drive whose copies are all written and flushed. `where` gives the path under which a file stands there."""

    drive: str
    root: int
    access: MediumAccess
    limits: Limits
    where: Callable[[int], bytes]


class CatchUp:
    """Takes files from donors for one drive. For the drive's own thread.

    `moved(bytes, whole files, number)` is called as bytes are written, `busy` and `idle` around the writing.
    """

    def __init__(
        self,
        io: Io,
        files: Sequence[FileEntry],
        board: ProofBoard,
        pool: BufferPool,
        settings: Settings,
        writer: CopyWriter,
        *,
        drive: str,
        depth: int,
        stop_asked: Callable[[], bool],
        moved: Callable[[int, int, int], None],
        busy: Callable[[], None],
        idle: Callable[[], None],
    ) -> None:
        self._io = io
        self._files = files
        self._board = board
        self._pool = pool
        self._settings = settings
        self._writer = writer
        self._drive = drive
        self._depth = depth
        self._stop_asked = stop_asked
        self._moved = moved
        self._busy = busy
        self._idle = idle
        self._state: Hasher | None = None
        self._refused = -1
        self._left: list[int] = []

    def take_from(self, donor: Donor, numbers: Sequence[int]) -> tuple[list[int], bool]:
        """Write these files from the donor's copies. Returns the numbers that could not be had from it, and whether
        the donor itself is gone. Raises what the writer raises, and Stopped."""
        self._left, self._refused = [], -1
        self._writer.begin_again()
        reader = TreeReader(
            self._io, donor.root, self._files, donor.access, self._settings,
            drive=donor.drive, where=donor.where, same_time=lambda now, then: same_time(now, then, donor.limits),
        )  # fmt: skip
        stream = ParcelStream(
            self._pool,
            reader.jobs(numbers),
            [self._drive],
            buffers=max(self._settings.pass_buffers, self._depth + 1),
            depth=self._depth,
            stop_asked=self._stop_asked,
            name=f"catch-up-{self._drive}",
            stall_seconds=self._settings.stall_seconds,
        )
        stream.start()
        done = -1
        lost = False
        try:
            for parcel in stream.parcels(self._drive):
                moved = whole = 0
                for segment in parcel.segments:
                    self._busy()
                    moved += self._take(donor, segment, parcel.buffer.view)
                    whole += segment.last
                    if segment.last or segment.fault is not None:
                        done = segment.file
                self._idle()
                stream.done(self._drive, parcel)
                self._moved(moved, whole, parcel.segments[-1].file)
        except (TreeLost, Stalled):
            lost = True
        finally:
            stream.stop()
            if stream.wait_workers(_WORKERS_END_SECONDS):
                reader.close()
        if self._stop_asked():
            raise Stopped
        rest = [number for number in numbers if number > done] if lost else []
        return [*self._left, *rest], lost

    def _take(self, donor: Donor, segment: Segment, view: memoryview) -> int:
        number = segment.file
        if segment.fault is not None:
            self._give_up(segment, view)
            return 0
        if number == self._refused:
            return 0
        if segment.offset == 0 or self._state is None:
            self._state = new_hasher(self._board.proof_algorithm)
        self._state.update(view[segment.start : segment.start + segment.length])
        if segment.last:
            expected = self._expected(number)
            if expected is None:
                return 0
            if self._state.text() != expected:
                self._give_up(replace(segment, fault=_not_the_cards(self._files[number].path, donor.drive)), view)
                return 0
        return self._writer.take(segment, view)

    def _give_up(self, segment: Segment, view: memoryview) -> None:
        if segment.file != self._refused:
            self._refused = segment.file
            self._left.append(segment.file)
        self._writer.take(segment, view)

    def _expected(self, number: int) -> str | None:
        """The card's hash; None for a file that the card did not give. Slow hashing may still be on its way."""
        while (text := self._board.source_text(number)) is None:
            if self._board.source_state(number) == SourceState.FAULTY:
                return None
            if self._stop_asked():
                raise Stopped
            self._idle()
            threading.Event().wait(_HASH_POLL_SECONDS)
        return text


def _not_the_cards(path: bytes, donor: str) -> Finding:
    name = shown(path)
    return Finding(
        Kind.READBACK_DIFFERS,
        Severity.ERROR,
        name,
        f"{name}, read from the copy on {donor}, is not what the card holds",
        drive=donor,
        remedy="keep the card; run the same command again",
    )


def fell_behind(drive: str) -> Finding:
    """Said when the others go on without a drive."""
    return Finding(
        Kind.FELL_BEHIND,
        Severity.WARNING,
        "",
        "the drive is much slower than the others, which go on without it; it gets the rest from another drive's copy",
        drive=drive,
        remedy="leave all drives attached until it is done; check its cable and port: a drive that gets slower may be"
        " failing",
    )


def nobody_to_follow(drive: str, files: int) -> Finding:
    """The failure of a drive that fell behind when no whole copy was left to get the rest from."""
    return Finding(
        Kind.DRIVE_FAILED,
        Severity.ERROR,
        "",
        f"the drive fell behind, and no other drive was left to get the last {files:,} files from",
        drive=drive,
        remedy="keep the card; run the same command again: what is there is not copied twice",
    )


def not_to_be_had(path: bytes, drive: str) -> Finding:
    """A file that no other drive's copy gave as the card had it."""
    name = shown(path)
    return Finding(
        Kind.READBACK_DIFFERS,
        Severity.ERROR,
        name,
        f"{name} is missing on the drive: it fell behind, and no other drive's copy was good",
        drive=drive,
        remedy="keep the card; run the same command again",
    )
