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
from rollproof.copying.catching_up import CatchUp, Donor, fell_behind, nobody_to_follow, not_to_be_had
from rollproof.copying.hashpass import HashPass
from rollproof.copying.parcels import FellBehind, Parcel, ParcelStream, Stopped
from rollproof.copying.plan import Action, same_time
from rollproof.copying.settings import Settings
from rollproof.copying.treereader import TreeLost, TreeReader
from rollproof.copying.trouble import write_trouble
from rollproof.copying.writer import CopyWriter, WriteWays
from rollproof.models.errors import DriveFault
from rollproof.models.events import DriveDone, Emit, FindingRaised, Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Limits
from rollproof.storage.files import flush_folder, partial_name
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess

_DONOR_POLL_SECONDS = 0.1


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
    rotational: bool = False
    """A spinning disk: it is not read for others while it is read back."""


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
        self.record_seconds = 0.0
        self.stopped = False
        self._left_behind = False
        self.siblings: Sequence[Lane] = ()
        """All drives of this offload, set before the start; those that are flushed can help one that fell behind."""
        self.following = True
        self.stays = False
        """Sealed, and still needed by a drive that fell behind."""
        self.notes: list[Finding] = []
        self._root = -1
        self._flushed = False
        self._read_again = False
        self._last_names = False
        self._caught_up = False

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
            root = self._root = self._side.work.prepare()
            self._write(stream, root)
            self._flushed = True
            self._release_others()
            self._read_back(root)
            self._read_again = True
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
            try:
                stream.drop(self.drive)
                self._release_others()
                if self.stopped or self.failure is not None:
                    self._leave_notes()
            except BaseException as error:  # noqa: BLE001 - a lane that ends without a word would be waited for
                self.crash = self.crash or error
            finally:
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
        leg, ok = Leg.WRITE, False
        try:
            self.watch.idle()
            first_left = self._follow(stream, writer)
            if self._stop_asked():
                raise Stopped
            if not self.following:
                leg = Leg.CATCH_UP
                self._emit(LegEnded(self._roll, Leg.WRITE, self.drive, True))
                self._catch_up(writer, [number for number in to_write if number >= first_left])
            self.watch.busy()
            writer.finish(self._empty_folders)
            ok = True
            self._caught_up = True
        finally:
            self.watch.busy()
            writer.close()
            self._emit(LegEnded(self._roll, leg, self.drive, ok))

    def _follow(self, stream: ParcelStream, writer: CopyWriter) -> int:
        """Write what the card's reading brings, as it comes. Returns the number of the first file that is not whole:
        beyond the last one, unless this drive fell behind."""
        files, first_left = self._files, 0
        try:
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
                    first_left = segment.file + segment.last
                self.watch.idle()
                self.holds = None
                stream.done(self.drive, parcel)
                self._moved(Leg.WRITE, moved, count, parcel.segments[-1].file)
        except FellBehind:
            self.following = False
            return first_left
        return len(files)

    def _moved(self, leg: Leg, size: int, count: int, number: int) -> None:
        if size or count:
            self._emit(Moved(self._roll, leg, self.drive, size, count, shown(self._files[number].path)))

    # --- when the others went on without this drive

    def let_go(self, stream: ParcelStream) -> None:
        """The engine goes on without this lane, which gets the rest from another drive."""
        finding = fell_behind(self.drive)
        self.notes.append(finding)
        self.following = False
        stream.let_go(self.drive)
        self._emit(FindingRaised(self._roll, finding))

    def donor(self) -> Donor | None:
        """This drive as one to copy from, once it is flushed and free for that."""
        ready = self._read_again if self._side.rotational else self._flushed
        if not ready or self.failure is not None or self._left_behind:
            return None
        return Donor(self.drive, self._root, self._side.access, self._side.limits, self._stands_at)

    def needs_others(self) -> bool:
        """Whether this drive fell behind and still lacks files."""
        return not (self.following or self._caught_up or self.failure is not None or self.ended.is_set())

    def _release_others(self) -> None:
        if self.following or any(lane.needs_others() for lane in self.siblings if lane is not self):
            return
        for lane in self.siblings:
            if lane.stays:
                lane.stays = False
                self._emit(DriveDone(self._roll, lane.drive, lane.state))

    def _catch_up(self, writer: CopyWriter, numbers: list[int]) -> None:
        files = self._files
        size = sum(files[number].size for number in numbers)
        self._emit(LegStarted(self._roll, Leg.CATCH_UP, self.drive, len(numbers), size))
        work = CatchUp(
            self._io, files, self._board, self._pool, self._settings, writer,
            drive=self.drive, depth=self._side.read_depth, stop_asked=self._stop_asked,
            moved=lambda size, count, number: self._moved(Leg.CATCH_UP, size, count, number),
            busy=self.watch.busy, idle=self.watch.idle,
        )  # fmt: skip
        tried: set[str] = set()
        any_lost = False
        while numbers:
            donor = self._wait_for_donor(tried)
            if donor is None:
                break
            tried.add(donor.drive)
            numbers, lost = work.take_from(donor, numbers)
            any_lost = any_lost or lost
        if numbers and (any_lost or not tried):
            raise DriveFault(nobody_to_follow(self.drive, len(numbers)))
        for number in numbers:
            self._board.copy_fault(self.drive, number, not_to_be_had(files[number].path, self.drive))

    def _wait_for_donor(self, tried: set[str]) -> Donor | None:
        """The next drive that can help, or None when none is left that ever could."""
        while True:
            if self._stop_asked():
                raise Stopped
            others = [lane for lane in self.siblings if lane is not self and lane.drive not in tried]
            for lane in others:
                found = lane.donor()
                if found is not None:
                    return found
            if not any(lane.following and not lane.ended.is_set() for lane in others):
                return None
            self.watch.idle()
            threading.Event().wait(_DONOR_POLL_SECONDS)

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
        if self._side.actions[number] != Action.REPLACE or self._last_names:
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
            self._last_names = True

    def _seal(self) -> None:
        self._emit(LegStarted(self._roll, Leg.RECORD, self.drive, 0, 0))
        began = time.monotonic()
        self.watch.busy()
        state = self._side.work.seal()
        self.record_seconds = time.monotonic() - began
        if self._left_behind:
            return
        self.state = state
        self._emit(LegEnded(self._roll, Leg.RECORD, self.drive, True))
        self.stays = any(lane.needs_others() for lane in self.siblings)
        self._emit(DriveDone(self._roll, self.drive, state, self.stays))
