"""One drive's way through an offload, on a thread of its own: prepare, write, read back, wait for the card, seal.

A lane that fails ends alone. A lane that hangs in a call is left behind by the engine, which sees it by its watch.
"""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from rollproof.copying.board import ProofBoard
from rollproof.copying.buffers import BufferPool
from rollproof.copying.hashpass import HashPass
from rollproof.copying.parcels import Parcel, ParcelStream, Stopped
from rollproof.copying.plan import Action, same_time
from rollproof.copying.settings import Settings
from rollproof.copying.treereader import TreeLost, TreeReader
from rollproof.copying.trouble import write_trouble
from rollproof.copying.writer import CopyWriter, WriteWays
from rollproof.models.errors import DriveFault
from rollproof.models.events import DriveDone, Emit, Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Limits
from rollproof.storage.files import flush_folder, partial_name
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess


class Watch:
    """When a lane's present call began; None while it only waits for others. Read by the engine."""

    def __init__(self) -> None:
        self._since: float | None = None

    def busy(self) -> None:
        """A call on the drive begins, or the next one of a row."""
        self._since = time.monotonic()

    def idle(self) -> None:
        """Waiting for others now."""
        self._since = None

    def busy_seconds(self) -> float:
        """How long the present call has taken; 0 while idle."""
        since = self._since
        return 0.0 if since is None else time.monotonic() - since


class DriveWork(Protocol):
    """What the workflow does on a drive before and after the engine's own work; called in the lane's thread.

    Both may raise `DriveFault` or OSError.
    """

    def prepare(self) -> int:
        """Make the roll folder, take its lock, write the marker; returns the roll folder's handle."""
        ...

    def seal(self) -> str:
        """Write the evidence beside the copy, flushed; returns the state of the copy for the event."""
        ...

    def note_interrupted(self) -> None:
        """The offload ends early or the drive cannot go on: leave what the next run needs, if the drive answers."""
        ...


@dataclass(frozen=True, slots=True)
class DriveSide:
    """One drive, as the engine sees it."""

    drive: str
    actions: bytes
    ways: WriteWays
    access: MediumAccess
    work: DriveWork
    read_depth: int = 2
    limits: Limits = field(default_factory=Limits)


class Lane:
    """Runs one drive. Results are read by the engine after `ended` is set (or when the lane was left behind)."""

    def __init__(
        self,
        io: Io,
        roll: str,
        side: DriveSide,
        files: Sequence[FileEntry],
        empty_folders: Sequence[bytes],
        board: ProofBoard,
        pool: BufferPool,
        settings: Settings,
        *,
        stop_asked: Callable[[], bool],
        source_settled: threading.Event,
        emit: Emit,
        changed: Callable[[], None],
    ) -> None:
        self._io = io
        self._roll = roll
        self._side = side
        self._files = files
        self._empty_folders = empty_folders
        self._board = board
        self._pool = pool
        self._settings = settings
        self._all_stop = stop_asked
        self._source_settled = source_settled
        self._emit = emit
        self._changed = changed
        self.drive = side.drive
        self.watch = Watch()
        self.ended = threading.Event()
        self.holds: Parcel | None = None
        self.state: str = "incomplete"
        self.failure: Finding | None = None
        self.crash: BaseException | None = None
        self.stopped = False
        self._left_behind = False

    def start(self, stream: ParcelStream) -> None:
        """Begin, as the stream's consumer named by the drive."""
        threading.Thread(target=self._run, args=(stream,), name=f"drive-{self.drive}", daemon=True).start()

    def leave_behind(self, finding: Finding) -> None:
        """The engine gives up on this lane; whatever it still does counts no more."""
        self._left_behind = True
        self.failure = finding
        self.state = "failed"
        self.ended.set()

    # --- the thread

    def _stop_asked(self) -> bool:
        # a lane that was left behind and comes back must not go on: its drive was called failed
        return self._left_behind or self._all_stop()

    def _run(self, stream: ParcelStream) -> None:
        root = -1
        try:
            self.watch.busy()
            root = self._side.work.prepare()
            self._write(stream, root)
            self._read_back(root)
            self._wait_for_source()
            self._replace_suspects(root)
            self._seal()
        except Stopped:
            self.stopped = True
        except DriveFault as fault:
            self._fail(fault.finding)
        except TreeLost as lost:
            self._fail(lost.finding)
        except OSError as error:
            self._fail(write_trouble(error, self.drive, b"its roll folder", "working on").finding)
        except BaseException as error:  # noqa: BLE001 - one drive's bug must not stop the other drives
            self.crash = error
            self._fail(
                Finding(
                    Kind.DRIVE_FAILED,
                    Severity.ERROR,
                    "",
                    f"an unexpected error stopped the work on this drive ({inert(repr(error))[:200]})",
                    drive=self.drive,
                    remedy="run the same command again and report this error",
                )
            )
        finally:
            stream.drop(self.drive)
            if self.stopped or self.failure is not None:
                self._leave_notes()
            self.watch.idle()
            self.ended.set()
            self._changed()

    def _fail(self, finding: Finding) -> None:
        if not self._left_behind:
            self.failure = finding
            self.state = "failed"

    def _leave_notes(self) -> None:
        try:
            self._side.work.note_interrupted()
        except (OSError, DriveFault):
            pass  # the drive does not answer any more: its copies are found again by hashing them

    def _write(self, stream: ParcelStream, root: int) -> None:
        side, files = self._side, self._files
        to_write = [n for n, action in enumerate(side.actions) if action in (Action.COPY, Action.REPLACE)]
        self._emit(LegStarted(self._roll, Leg.WRITE, self.drive, len(to_write), sum(files[n].size for n in to_write)))
        writer = CopyWriter(
            self._io, root, files, side.actions, side.ways, self._settings, drive=self.drive,
            on_written=lambda number: self._board.written(self.drive, number),
            on_fault=lambda number, finding: self._board.copy_fault(self.drive, number, finding),
        )  # fmt: skip
        ok = False
        try:
            self.watch.idle()
            for parcel in stream.parcels(self.drive):
                self.holds = parcel
                moved = count = 0
                for segment in parcel.segments:
                    if self._left_behind:
                        raise Stopped
                    self.watch.busy()
                    written = writer.take(segment, parcel.buffer.view)
                    moved += written
                    count += segment.last and (written > 0 or writer.wants(segment.file))
                self.watch.idle()
                self.holds = None
                stream.done(self.drive, parcel)
                if moved or count:
                    name = shown(files[parcel.segments[-1].file].path)
                    self._emit(Moved(self._roll, Leg.WRITE, self.drive, moved, count, name))
            if self._stop_asked():
                raise Stopped
            self.watch.busy()
            writer.finish(self._empty_folders)
            ok = True
        finally:
            self.watch.busy()
            writer.close()
            self._emit(LegEnded(self._roll, Leg.WRITE, self.drive, ok))

    def _read_back(self, root: int) -> None:
        side, files, board = self._side, self._files, self._board
        for number, action in enumerate(side.actions):
            if action == Action.HASH:
                board.written(self.drive, number)
        numbers = [
            number
            for number, action in enumerate(side.actions)
            if action != Action.COVERED and board.is_to_be_read_back(self.drive, number)
        ]
        self._emit(LegStarted(self._roll, Leg.READ_BACK, self.drive, len(numbers), sum(files[n].size for n in numbers)))
        reader = TreeReader(
            self._io, root, files, side.access, self._settings,
            drive=self.drive, where=self._stands_at,
            same_time=lambda now, then: same_time(now, then, side.limits),
        )  # fmt: skip

        def moved(size: int, count: int, number: int) -> None:
            self.watch.busy()
            self._emit(Moved(self._roll, Leg.READ_BACK, self.drive, size, count, shown(files[number].path)))

        ok = False
        self.watch.busy()
        try:
            HashPass(
                self._pool, reader, (board.proof_algorithm,), self._settings,
                stop_asked=self._stop_asked, name=f"read-back-{self.drive}", depth=side.read_depth,
            ).run(
                numbers,
                lambda number, texts, evidence: board.copy_hashed(self.drive, number, texts, evidence),
                lambda number, finding: board.copy_fault(self.drive, number, finding),
                moved,
            )  # fmt: skip
            ok = True
        finally:
            self.watch.idle()
            self._emit(LegEnded(self._roll, Leg.READ_BACK, self.drive, ok))

    def _stands_at(self, number: int) -> bytes:
        path = self._files[number].path
        if self._side.actions[number] != Action.REPLACE:
            return path
        folder, slash, name = path.rpartition(b"/")
        return folder + slash + partial_name(name)

    def _wait_for_source(self) -> None:
        self.watch.idle()
        while not self._source_settled.wait(0.2):
            if self._stop_asked():
                raise Stopped
        if self._stop_asked():
            raise Stopped

    def _replace_suspects(self, root: int) -> None:
        """A suspect goes only now, when the new copy beside it is proven."""
        numbers = [number for number, action in enumerate(self._side.actions) if action == Action.REPLACE]
        if not numbers:
            return
        self.watch.busy()
        folders = FolderHandles(self._io, root, create=True)
        try:
            for number in numbers:
                folder, _, name = self._files[number].path.rpartition(b"/")
                parent = folders.handle(folder)
                if self._board.is_proven(self.drive, number):
                    fresh = self._io.stat(partial_name(name), parent)
                    self._io.remove(name, parent)
                    self._io.rename_no_replace(partial_name(name), name, parent)
                    flush_folder(self._io, parent)
                    # the copy was read back under its unfinished name: look that the final one leads to that very file
                    there = self._io.stat(name, parent)
                    if (there.size, there.inode) != (fresh.size, fresh.inode):
                        raise OSError(errno.EIO, "the fresh copy did not get its final name", name)
                    continue
                path = shown(self._files[number].path)
                self._board.copy_fault(
                    self.drive, number,
                    Finding(
                        Kind.SUSPECT_KEPT, Severity.ERROR, path,
                        f"{path} on the drive is still the suspect copy: the fresh one could not be proven",
                        drive=self.drive, remedy="keep the card; reseat reader and cable, run the same command again",
                    ),
                )  # fmt: skip
                self._io.remove(partial_name(name), parent)
        finally:
            folders.close()

    def _seal(self) -> None:
        self._emit(LegStarted(self._roll, Leg.RECORD, self.drive, 0, 0))
        self.watch.busy()
        state = self._side.work.seal()
        if self._left_behind:
            return
        self.state = state
        self._emit(LegEnded(self._roll, Leg.RECORD, self.drive, True))
        self._emit(DriveDone(self._roll, self.drive, state))
