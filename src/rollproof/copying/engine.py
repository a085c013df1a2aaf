"""The engine: one read of the card feeds all hashers and all drives; then every copy and the card are read again.

Threads: workers that read the card, one for fast hashes and one for each slow hash, one lane for each drive, one that
takes the card through its second pass. The calling thread only watches, so that a hanging drive never holds it.
"""

from __future__ import annotations

import operator
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from rollproof.copying.drive_side import DriveSide
from rollproof.copying.falling_behind import who_falls_behind
from rollproof.copying.helping import Helping
from rollproof.copying.lane import Lane
from rollproof.copying.shared import Shared
from rollproof.copying.zero_watch import ZeroWatch
from rollproof.hashing import ALGORITHMS
from rollproof.models.errors import Interrupted
from rollproof.models.events import CardFree, Emit, FindingRaised, Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.models.source_words import CARD, SourceWords
from rollproof.models.tree import Snapshot
from rollproof.proof.board import ProofBoard
from rollproof.reading.buffers import BufferPool
from rollproof.reading.hashpass import HashPass, PassSettings, SegmentHasher, consume
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import ParcelStream, ReadAhead, Stopped
from rollproof.reading.settings import Settings
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.storage.errors import hanging
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess

_POLL_SECONDS = 0.2
_READ_AGAIN = (Kind.UNREADABLE, Kind.UNREADABLE_FOLDER, Kind.CARD_CHANGED)
"""What a listing of the card can show that only another read of it may mend."""


@dataclass(frozen=True, slots=True)
class CardSide:
    """The card, as the engine sees it. `settle` runs after the last read of the card and before any drive is sealed:
    it looks whether the card changed, tells the board, and returns what it found. It raises Interrupted when the
    cancel it is given is set, and looks at that often enough to show that the card still answers. `same_time` compares
    a file's modification time with the snapshot's; where content is compared with a record, the date is no evidence.
    `zeros` sees what the first read gives; `lost` is told at once when the card is gone or does not answer."""

    root: int
    snapshot: Snapshot
    access: MediumAccess
    passes: int
    settle: Callable[[Cancel], Sequence[Finding]]
    read_depth: int = 4
    same_time: Callable[[int, int], bool] = operator.eq
    words: SourceWords = CARD
    zeros: ZeroWatch | None = None
    lost: Callable[[Finding], None] = lambda finding: None


@dataclass(slots=True)
class LaneOutcome:
    """How one drive came out of the engine."""

    drive: str
    state: str
    failure: Finding | None
    crash: BaseException | None
    notes: list[Finding] = field(default_factory=list)


@dataclass(slots=True)
class CopyOutcome:
    """How the engine ended. `source_failure` is set when the card went away or does not answer."""

    lanes: list[LaneOutcome]
    source_findings: list[Finding]
    source_failure: Finding | None = None
    source_passes_done: int = 0
    interrupted: bool = False
    hangs: bool = False
    crash: BaseException | None = None
    seconds: dict[str, float] = field(default_factory=dict)


class _Pulse(Cancel):
    """The cancel handed to a walk over the card: each look at it shows that the card answers."""

    __slots__ = ("_asked", "_beat")

    def __init__(self, asked: Callable[[], bool], beat: Callable[[], None]) -> None:
        super().__init__()
        self._asked = asked
        self._beat = beat

    def is_set(self) -> bool:
        self._beat()
        return self._asked()


@dataclass(frozen=True, slots=True)
class EngineRun:
    """How one roll is copied: the settings, who may ask for its end, and who is told what happens."""

    settings: Settings
    cancel: Cancel
    emit: Emit


class Offloading:
    """One card to several drives. Make it, `run` it once."""

    def __init__(
        self,
        io: Io,
        roll: str,
        card: CardSide,
        drives: Sequence[DriveSide],
        board: ProofBoard,
        run: EngineRun,
    ) -> None:
        settings, emit = run.settings, run.emit
        self._io = io
        self._roll = roll
        self._card = card
        self._board = board
        self._settings = settings
        self._cancel = run.cancel
        self._emit = emit
        self._changed = threading.Condition()
        self._settled = threading.Event()
        self._source_ended = threading.Event()
        self._give_up = False
        self._pool = BufferPool(settings.block_bytes)
        self._began = time.monotonic()
        helping = Helping(roll, [side.drive for side in drives], emit)
        shared = Shared(
            io, roll, card.snapshot.files, list(card.snapshot.empty_folders()), board, self._pool, settings, helping,
            self._stop_asked, self._settled, emit, self._notify,
        )  # fmt: skip
        self._lanes = [Lane(side, shared) for side in drives]
        self._outcome = CopyOutcome([], [])
        self._hash_groups = _hash_groups(board.algorithms)
        self._hash_names = [f"hash {' '.join(group)}" for group in self._hash_groups]
        self._hashing_left = len(self._hash_groups)
        self._source_moved = time.monotonic()

    def run(self) -> CopyOutcome:
        """Copy, read everything again, seal every drive; returns when all lanes ended or were left behind."""
        card = self._card
        tree = OpenTree(card.root, card.snapshot.files, card.access, same_time=card.same_time, words=card.words)
        reader = TreeReader(self._io, tree, self._settings)
        reader.begin_pass()
        numbers = range(len(self._card.snapshot.files))
        stream = ParcelStream(
            self._pool,
            reader.jobs(numbers),
            [*self._hash_names, *(lane.drive for lane in self._lanes)],
            # beside those being read, for the lag of hashes and drives
            ReadAhead(
                "card",
                self._card.read_depth,
                max(self._settings.copy_buffers, self._card.read_depth + 5),
                self._stop_asked,
            ),
        )
        threading.Thread(target=self._source, args=(stream, reader), name="card", daemon=True).start()
        for group, name in zip(self._hash_groups, self._hash_names, strict=True):
            threading.Thread(target=self._hash, args=(stream, group, name), name=name, daemon=True).start()
        for lane in self._lanes:
            lane.start(stream)
        self._watch(stream)
        self._pool.empty()  # not only when this object goes: the card's answer is worked out next
        outcome = self._outcome
        outcome.interrupted = self._cancel.is_set()
        outcome.hangs = outcome.hangs or any(lane.reads_hang for lane in self._lanes)
        outcome.seconds["records"] = max((lane.record_seconds for lane in self._lanes), default=0.0)
        outcome.lanes = [
            LaneOutcome(lane.drive, lane.state, lane.failure, lane.crash, lane.notes) for lane in self._lanes
        ]
        return outcome

    # --- the calling thread

    def _watch(self, stream: ParcelStream) -> None:
        asked_at: float | None = None
        while True:
            with self._changed:
                self._changed.wait(_POLL_SECONDS)
            if all(lane.ended.is_set() for lane in self._lanes) and self._source_ended.is_set():
                return
            for lane in self._lanes:
                if not lane.ended.is_set() and lane.watch.busy_seconds() > self._settings.stall_seconds:
                    self._leave(lane, stream)
            self._let_the_slowest_go(stream)
            if all(lane.ended.is_set() for lane in self._lanes) and self._lanes:
                self._give_up = self._give_up or all(lane.failure is not None for lane in self._lanes)
            if self._cancel.is_set():
                stream.stop()
                asked_at = asked_at or time.monotonic()
                if time.monotonic() - asked_at > self._settings.cancel_seconds:
                    self._outcome.hangs = True
                    return
            if self._source_stalls():
                self._outcome.source_failure = error(
                    Kind.CARD_MISSING,
                    f"{self._card.words.name} has not answered for {self._settings.stall_seconds:.0f} seconds",
                    remedy=f"{self._card.words.keep}; {self._card.words.again}, then run the same command again",
                )
                self._card.lost(self._outcome.source_failure)
                self._outcome.hangs = True
                self._give_up = True
                stream.stop()
                for lane in self._lanes:
                    lane.ended.wait(self._settings.cancel_seconds)
                return

    def _let_the_slowest_go(self, stream: ParcelStream) -> None:
        following = {
            lane.drive: lane
            for lane in self._lanes
            if lane.following and not lane.ended.is_set() and lane.failure is None and not lane.stopped
        }
        if len(following) < 2:
            return
        seconds = time.monotonic() - self._began
        sizes = {drive: lane.write_bytes for drive, lane in following.items()}
        slowest = who_falls_behind(stream.waited(), sizes, seconds, self._settings)
        if slowest is not None:
            following[slowest].let_go(stream)

    def _leave(self, lane: Lane, stream: ParcelStream) -> None:
        finding = hanging(lane.drive, self._settings.stall_seconds)
        stream.drop(lane.drive, holds=lane.holds)
        lane.leave_behind(finding)
        self._outcome.hangs = True
        self._emit(FindingRaised(self._roll, finding))

    def _source_stalls(self) -> bool:
        if self._source_ended.is_set():
            return False
        limit = self._settings.stall_seconds
        if any(lane.watch.busy_seconds() > 1.0 for lane in self._lanes if lane.following and not lane.ended.is_set()):
            self._source_moved = time.monotonic()  # a slow drive holds the reading back, not the card
        return time.monotonic() - self._source_moved > limit

    def _beat(self) -> None:
        self._source_moved = time.monotonic()

    def _notify(self) -> None:
        with self._changed:
            self._changed.notify_all()

    def _stop_asked(self) -> bool:
        return self._cancel.is_set() or self._give_up

    # --- hashing the first read

    def _hash(self, stream: ParcelStream, group: Sequence[str], name: str) -> None:
        first = name == self._hash_names[0]
        zeros = self._card.zeros if first else None
        hasher = SegmentHasher(
            group, self._board.source_hashed, self._board.source_fault if first else None,
            also=zeros.take if zeros is not None else None,
        )  # fmt: skip

        def moved(size: int, files: int, number: int) -> None:
            self._beat()
            path = shown(self._card.snapshot.files[number].path)
            self._emit(Moved(self._roll, Leg.READ_CARD, "", size, files, path))

        try:
            consume(stream, name, hasher, moved if first else None)
        except (Stopped, TreeLost):
            pass
        except BaseException as error:  # noqa: BLE001 - kept and told; the source thread ends the offload
            self._outcome.crash = error
            self._lose_source(_unexpected("the hashing of the card", error), stream)
        finally:
            with self._changed:
                self._hashing_left -= 1
                self._changed.notify_all()

    # --- the card's own thread

    def _source(self, stream: ParcelStream, reader: TreeReader) -> None:
        card = self._card
        size = card.snapshot.size_bytes
        try:
            self._emit(LegStarted(self._roll, Leg.READ_CARD, "", len(card.snapshot.files), size))
            stream.start()
            while not stream.wait_read(_POLL_SECONDS):
                pass
            if stream.error is not None:
                raise stream.error
            self._outcome.seconds["read card"] = time.monotonic() - self._began
            ok = not self._stop_asked()
            self._emit(LegEnded(self._roll, Leg.READ_CARD, "", ok))
            if not ok:
                return
            self._outcome.source_passes_done = 1
            if card.passes > 1:
                self._read_again(size)
                self._outcome.source_passes_done = 2
            with self._changed:
                self._changed.wait_for(lambda: self._hashing_left == 0 or self._stop_asked())
            self._beat()
            self._outcome.source_findings.extend(card.settle(_Pulse(self._stop_asked, self._beat)))
            self._outcome.seconds["card free"] = time.monotonic() - self._began
            self._emit(CardFree(self._roll, read_again=not self._is_settled()))
        except (Stopped, Interrupted):
            pass
        except TreeLost as lost:
            self._lose_source(lost.finding, stream)
        except BaseException as error:  # noqa: BLE001 - told as a failure of the card's leg
            self._outcome.crash = error
            self._lose_source(_unexpected("the reading of the card", error), stream)
        finally:
            try:
                if stream.wait_workers(_POLL_SECONDS):
                    reader.close()
            finally:
                self._settled.set()
                self._source_ended.set()
                self._notify()

    def _is_settled(self) -> bool:
        """Whether the card need not be read again: every file that it lists was read well, and nothing changed."""
        bad = [*self._card.snapshot.findings, *self._outcome.source_findings]
        return self._board.source_is_settled() and not any(found.kind in _READ_AGAIN for found in bad)

    def _lose_source(self, finding: Finding, stream: ParcelStream) -> None:
        self._outcome.source_failure = finding
        self._card.lost(finding)
        self._emit(FindingRaised(self._roll, finding))
        self._give_up = True
        stream.stop()

    def _read_again(self, size: int) -> None:
        card, board = self._card, self._board
        files = card.snapshot.files
        reader = TreeReader(self._io, OpenTree(card.root, files, card.access), self._settings)
        self._emit(LegStarted(self._roll, Leg.READ_CARD_AGAIN, "", len(files), size))

        def moved(count: int, done: int, number: int) -> None:
            self._beat()
            self._emit(Moved(self._roll, Leg.READ_CARD_AGAIN, "", count, done, shown(files[number].path)))

        ok = False
        try:
            HashPass(
                self._pool, reader, (board.proof_algorithm,), self._settings,
                PassSettings("card again", self._stop_asked, card.read_depth),
            ).run(range(len(files)), board.source_hashed_again, board.source_fault, moved)  # fmt: skip
            ok = True
        finally:
            self._emit(LegEnded(self._roll, Leg.READ_CARD_AGAIN, "", ok))


def _unexpected(what: str, error: BaseException) -> Finding:
    return Finding(
        Kind.CARD_MISSING,
        Severity.ERROR,
        "",
        f"an unexpected error stopped {what} ({inert(repr(error))[:200]})",
        remedy="keep the card and every copy; run the same command again and report this error",
    )


def _hash_groups(algorithms: Sequence[str]) -> list[tuple[str, ...]]:
    """Fast algorithms share a thread; each slow one gets its own, so that the reader never waits for two in turn."""
    fast = tuple(name for name in algorithms if not ALGORITHMS[name].slow)
    groups = [fast] if fast else []
    return groups + [(name,) for name in algorithms if ALGORITHMS[name].slow]
