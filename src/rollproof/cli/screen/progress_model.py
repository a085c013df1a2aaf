"""What the screen knows while the work goes on: fed by events, read as still pictures. No console, no threads.

`ProgressModel.apply` is called by the engine's threads and does next to nothing; `picture` is called a few times a
second by whoever draws.
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Callable

from rollproof.cli.pictures import Moment, MomentKind, Picture
from rollproof.cli.screen.roll_progress import LegProgress, RollProgress
from rollproof.cli.screen.speeds import Speed
from rollproof.models.events import (
    CardFree,
    DriveDone,
    Event,
    FindingRaised,
    Leg,
    LegEnded,
    LegStarted,
    Moved,
    RollPlanned,
)
from rollproof.models.findings import Kind, Severity

_DRIVE_LOST = frozenset({Kind.DRIVE_FAILED, Kind.DRIVE_FULL, Kind.DRIVE_GONE, Kind.DRIVE_HANGS})
_SAID_IN_FULL = 3  # findings of one kind on one drive; the rest are counted


class ProgressModel:
    """Takes events from any thread; gives pictures and moments to one reader.

    `clock` returns monotonic seconds. `cards_total` is how many cards were named (0: not an offload).
    """

    def __init__(self, clock: Callable[[], float], cards_total: int = 1) -> None:
        self._clock = clock
        self._cards_total = cards_total
        self._lock = threading.Lock()
        self._rolls: dict[str, RollProgress] = {}
        self._current: RollProgress | None = None
        self._moments: deque[Moment] = deque()
        self._stopping = False
        self._said: Counter[tuple[str, str, str]] = Counter()
        self._known: dict[tuple[Leg, str], float] = {}
        """Speeds of legs that have ended, of earlier cards too."""

    # --- events in

    def apply(self, event: Event) -> None:
        """Take in one event. Quick, and never raises on an event it did not expect."""
        now = self._clock()
        with self._lock:
            match event:
                case Moved():
                    self._moved(event, now)
                case LegStarted():
                    self._leg_started(event, now)
                case LegEnded():
                    self._leg_ended(event, now)
                case RollPlanned():
                    self._planned(event)
                case CardFree():
                    roll = self._roll(event.roll)
                    roll.card_free, roll.read_again = True, event.read_again
                    self._moments.append(
                        Moment(MomentKind.CARD_FREE, roll.name, of_copy=roll.of_copy, read_again=event.read_again)
                    )
                case DriveDone():
                    self._drive_done(event)
                case FindingRaised():
                    self._finding(event)

    def _roll(self, name: str) -> RollProgress:
        roll = self._rolls.get(name)
        if roll is None:
            roll = self._rolls[name] = RollProgress(name, self._known)
        if self._current is None:
            self._current = roll
        return roll

    def _planned(self, event: RollPlanned) -> None:
        if event.of_copy:
            self._rolls.pop(event.roll, None)  # days may have rolls of one name
            self._current = None
        roll = self._roll(event.roll)
        roll.plan = event
        roll.card = event.card
        roll.drives = {drive.drive: drive for drive in event.drives}
        self._moments.append(Moment(MomentKind.PLANNED, event.roll, plan=event))

    def _leg_started(self, event: LegStarted, now: float) -> None:
        roll = self._roll(event.roll)
        self._current = roll
        if roll.started is None:
            roll.started = now
            self._moments.extend(roll.held)
        if event.drive:
            roll.drives.setdefault(event.drive, None)
        roll.legs[event.leg, event.drive] = LegProgress(
            event.leg, event.drive, event.files, event.size_bytes, now, Speed(now), last_moved=now
        )

    def _moved(self, event: Moved, now: float) -> None:
        leg = self._roll(event.roll).legs.get((event.leg, event.drive))
        if leg is None:
            return
        leg.moved_bytes += event.size_bytes
        leg.moved_files += event.files
        leg.path = event.path or leg.path
        leg.last_moved = now
        leg.speed.add(now, event.size_bytes)

    def _leg_ended(self, event: LegEnded, now: float) -> None:
        leg = self._roll(event.roll).legs.get((event.leg, event.drive))
        if leg is None:
            return
        leg.ended = now
        leg.ok = event.ok
        if not event.ok:
            self._leg_failed(self._rolls[event.roll], event)
        rate = leg.speed.overall(now)
        if rate is not None:
            self._known[event.leg, event.drive] = rate

    def _leg_failed(self, roll: RollProgress, event: LegEnded) -> None:
        if not event.drive:
            roll.stopping = True  # without its card the drives of a roll stop too, through no fault of theirs
        if not (roll.stopping or self._stopping):
            self._lose(roll, event.drive)

    def _lose(self, roll: RollProgress, drive: str) -> None:
        if drive not in roll.lost:
            roll.lost.add(drive)
            self._moments.append(Moment(MomentKind.DRIVE_LOST, roll.name, drive=drive))

    def stopping(self) -> None:
        """The person asked for the end: from now on a leg that ends early is stopped, not failed."""
        self._stopping = True

    def _drive_done(self, event: DriveDone) -> None:
        roll = self._roll(event.roll)
        roll.drives.setdefault(event.drive, None)
        roll.done[event.drive] = event.state
        if event.state == "failed":
            self._lose(roll, event.drive)
            return
        roll.needed[event.drive] = event.needed
        self._moments.append(
            Moment(
                MomentKind.DRIVE_DONE,
                event.roll,
                drive=event.drive,
                state=event.state,
                of_copy=roll.of_copy,
                needed=event.needed,
            )
        )

    def _finding(self, event: FindingRaised) -> None:
        finding = event.finding
        roll = self._rolls.get(event.roll)
        if roll is not None and finding.kind is Kind.CARD_MISSING and finding.severity is Severity.ERROR:
            roll.stopping = True
            roll.lost.add("")
        key = (event.roll, finding.kind.value, finding.drive)
        self._said[key] += finding.count
        # notes belong to the end; a flood of one kind is counted, not scrolled past
        if finding.severity is not Severity.NOTE and self._said[key] - finding.count < _SAID_IN_FULL:
            moment = Moment(MomentKind.FINDING, event.roll, drive=finding.drive, finding=finding)
            # before the work begins it may be refused: then the end says it all, once
            if roll is not None and roll.started is None:
                roll.held.append(moment)
            else:
                self._moments.append(moment)
        if roll is not None and finding.drive in roll.drives and finding.kind in _DRIVE_LOST:
            self._lose(roll, finding.drive)

    def _total(self, roll: RollProgress) -> int:
        return roll.plan.total if roll.plan is not None and roll.of_copy else self._cards_total

    def _position(self, roll: RollProgress) -> int:
        if roll.plan is not None and roll.of_copy:
            return roll.plan.number - 1
        return list(self._rolls).index(roll.name)

    # --- pictures out

    def take_moments(self) -> list[Moment]:
        """Everything to be said since the last call, in order."""
        with self._lock:
            moments = list(self._moments)
            self._moments.clear()
            return moments

    def more_findings(self) -> int:
        """How many findings were counted but not said in full so far."""
        with self._lock:
            return sum(max(count - _SAID_IN_FULL, 0) for count in self._said.values())

    def picture(self) -> Picture | None:
        """The roll being worked on, now; None before anything is known."""
        now = self._clock()
        with self._lock:
            roll = self._current
            if roll is None:
                return None
            lanes = [roll.lane("", now)] if roll.has_card() else []
            lanes += [roll.lane(drive, now) for drive in roll.drives]
            card_free = roll.card_seconds(now)
            return Picture(
                roll=roll.name,
                plan=roll.plan,
                lanes=tuple(lanes),
                card_free=roll.card_free,
                read_again=roll.read_again,
                card_free_seconds=card_free,
                proven_seconds=roll.proven_seconds(card_free, now),
                all_done=bool(roll.drives) and all(drive in roll.done or drive in roll.lost for drive in roll.drives),
                fraction=roll.fraction(),
                cards_before=self._position(roll),
                cards_total=self._total(roll),
                elapsed_seconds=0.0 if roll.started is None else now - roll.started,
            )
