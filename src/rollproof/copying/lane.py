"""One drive's way through an offload, on a thread of its own: prepare, write, read back, wait for the card, seal.

A lane that fails ends alone. A lane that hangs in a call is left behind by the engine, which sees it by its watch.
"""

from __future__ import annotations

import contextlib
import threading
import time

from rollproof.copying.catching_up import CatchUp, CatchUpTold
from rollproof.copying.drive_side import DriveSide, Watch
from rollproof.copying.falling_behind import fell_behind, had_fallen_behind
from rollproof.copying.helping import Donor
from rollproof.copying.plan import Action, same_time
from rollproof.copying.shared import Shared
from rollproof.copying.suspects import SuspectCopies
from rollproof.copying.writer import CopyWriter, WriterTarget, WriterTold
from rollproof.models.errors import DriveFault
from rollproof.models.events import FindingRaised, Leg, LegEnded, LegStarted, Moved
from rollproof.models.file_table import size_of
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import inert, shown
from rollproof.reading.hashpass import HashPass, PassSettings
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import FellBehind, Parcel, ParcelStream, Stopped
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.reading.turns import TURNS
from rollproof.storage.errors import write_trouble

_WRITTEN = (Action.COPY, Action.REPLACE)


class Lane:
    """Runs one drive. Results are read by the engine after `ended` is set (or when the lane was left behind)."""

    def __init__(self, side: DriveSide, shared: Shared) -> None:
        self._shared = shared
        self._io = shared.io
        self._roll = shared.roll
        self._side = side
        self._files = shared.files
        self._board = shared.board
        self._settings = shared.settings
        self._helping = shared.helping
        self._emit = shared.emit
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
        self.following = True
        """False once the others went on without this drive."""
        self.reads_hang = False
        """A read on another drive did not come back: no handle of the offload may be closed."""
        self.notes: list[Finding] = []
        self.write_bytes = size_of(
            shared.files, (number for number, action in enumerate(side.actions) if action in _WRITTEN)
        )
        self._root = -1
        # where one file is read at a time, a thread waits more than it works
        self._takes_turns = side.access.at_once > 1
        self._turn = TURNS.turn()
        self._suspects = SuspectCopies(shared.io, side.drive, shared.files, side.actions, shared.board)

    def start(self, stream: ParcelStream) -> None:
        """Begin, as the stream's consumer named by the drive."""
        threading.Thread(target=self._run, args=(stream,), name=f"drive-{self.drive}", daemon=True).start()

    def leave_behind(self, finding: Finding) -> None:
        """The engine gives up on this lane; whatever it still does counts no more."""
        self._left_behind = True
        self.failure = finding
        self.state = "failed"
        self._side.lost(finding)
        self._helping.lost(self.drive)
        self.ended.set()

    # --- the thread

    def _stop_asked(self) -> bool:
        # a lane that was left behind and comes back must not go on: its drive was called failed
        return self._left_behind or self._shared.stop_asked()

    def _run(self, stream: ParcelStream) -> None:
        root = -1
        try:
            self.watch.busy()
            root = self._root = self._side.work.prepare()
            self._write(stream, root)
            self._helping.has_all(self.drive)
            self._read_back(root)
            self._may_give()
            self._wait_for_source()
            self.watch.busy()
            self._suspects.replace(root)
            self._seal()
        except Stopped:
            self.stopped = True
        except DriveFault as fault:
            self._fail(fault.finding)
        except TreeLost as lost:
            self._fail(lost.finding)
        except OSError as failure:
            self._fail(write_trouble(failure, self.drive, b"its roll folder", "working on").finding)
        except BaseException as failure:  # noqa: BLE001 - one drive's bug must not stop the other drives
            self.crash = failure
            self._fail(
                error(
                    Kind.DRIVE_FAILED,
                    f"an unexpected error stopped the work on this drive ({inert(repr(failure))[:200]})",
                    drive=self.drive,
                    remedy="run the same command again and report this error",
                )
            )
        finally:
            try:
                self.watch.busy()  # these are calls on the drive too
                stream.drop(self.drive)
                if self.stopped or self.failure is not None:
                    self._helping.lost(self.drive)
                    self._leave_notes()
            except BaseException as failure:  # noqa: BLE001 - a lane that ends without a word would be waited for
                self.crash = self.crash or failure
            finally:
                self.watch.idle()
                self.ended.set()
                self._shared.changed()

    def _fail(self, finding: Finding) -> None:
        if not self._left_behind:
            self.failure = finding
            self.state = "failed"
            self._side.lost(finding)

    def _leave_notes(self) -> None:
        try:
            self._side.work.note_interrupted()
        except (OSError, DriveFault):
            pass  # the drive does not answer any more: its copies are found again by hashing them

    def _write(self, stream: ParcelStream, root: int) -> None:
        side, files = self._side, self._files
        to_write = [n for n, action in enumerate(side.actions) if action in _WRITTEN]
        self._emit(LegStarted(self._roll, Leg.WRITE, self.drive, len(to_write), size_of(files, to_write)))
        told = WriterTold(
            lambda number: self._board.written(self.drive, number),
            lambda number, finding: self._board.copy_fault(self.drive, number, finding),
            self.watch.busy,
        )
        target = WriterTarget(self.drive, root, files, side.actions, side.ways)
        writer = CopyWriter(self._io, target, self._settings, told, self._turn)
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
            writer.finish(self._shared.empty_folders)
            ok = True
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
                with self._turn if self._takes_turns and len(parcel.segments) > 1 else contextlib.nullcontext():
                    for segment in parcel.segments:
                        if self._left_behind:
                            raise Stopped
                        self.watch.busy()
                        written = writer.take(segment, parcel.buffer.view)
                        moved += written
                        count += segment.last and (written > 0 or writer.wants(segment.file))
                        first_left = segment.file + segment.last
                        self._turn.breathe()
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
        self._helping.fell_behind(self.drive)  # before it can have caught up
        if not stream.let_go(self.drive):
            self._helping.has_all(self.drive)
            return
        self.following = False
        self.notes.append(had_fallen_behind(self.drive))
        self._emit(FindingRaised(self._roll, fell_behind(self.drive)))

    def _catch_up(self, writer: CopyWriter, numbers: list[int]) -> None:
        size = size_of(self._files, numbers)
        self._emit(LegStarted(self._roll, Leg.CATCH_UP, self.drive, len(numbers), size))
        told = CatchUpTold(
            self._stop_asked,
            lambda size, count, number: self._moved(Leg.CATCH_UP, size, count, number),
            self.watch.busy,
            self.watch.idle,
        )
        work = CatchUp(self._shared, writer, self.drive, self._side.read_depth, told)
        try:
            work.run(numbers, self._helping)
        finally:
            self.reads_hang = work.hangs

    def _may_give(self) -> None:
        side = self._side
        self._helping.may_give(Donor(self.drive, self._root, side.access, side.limits, self._suspects.stands_at))

    # --- afterwards

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
        self._emit(LegStarted(self._roll, Leg.READ_BACK, self.drive, len(numbers), size_of(files, numbers)))
        tree = OpenTree(
            root, files, side.access,
            drive=self.drive, where=self._suspects.stands_at if Action.REPLACE in side.actions else None,
            same_time=lambda now, then: same_time(now, then, side.limits),
        )  # fmt: skip
        reader = TreeReader(self._io, tree, self._settings)

        given = False

        def moved(size: int, count: int, number: int) -> None:
            nonlocal given
            self.watch.busy()
            if not (given or side.rotational):
                # not earlier: the read-back counts only if no page of the copies is in a cache when it begins
                given = True
                self._may_give()
            self._emit(Moved(self._roll, Leg.READ_BACK, self.drive, size, count, shown(files[number].path)))

        ok = False
        self.watch.busy()
        try:
            HashPass(
                self._shared.pool, reader, (board.proof_algorithm,), self._settings,
                PassSettings(f"read-back-{self.drive}", self._stop_asked, side.read_depth),
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

    def _wait_for_source(self) -> None:
        self.watch.idle()
        while not self._shared.source_settled.wait(0.2):
            if self._stop_asked():
                raise Stopped
        if self._stop_asked():
            raise Stopped

    def _seal(self) -> None:
        self._emit(LegStarted(self._roll, Leg.RECORD, self.drive, 0, 0))
        began = time.monotonic()
        self.watch.busy()
        if self._side.calls is not None:
            # records and manifests of very many files take minutes on a slow drive
            self.watch.busy_with_many(self._side.calls)
        state = self._side.work.seal()
        self.record_seconds = time.monotonic() - began
        if self._left_behind:
            return
        self.state = state
        self._emit(LegEnded(self._roll, Leg.RECORD, self.drive, True))
        self._helping.sealed(self.drive, state)
