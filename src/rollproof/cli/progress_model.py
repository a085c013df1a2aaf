"""What the screen knows while the work goes on: fed by events, read as still pictures. No console, no threads.

`ProgressModel.apply` is called by the engine's threads and does next to nothing; `picture` is called a few times a
second by whoever draws.
"""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from rollproof.cli.speeds import Speed
from rollproof.models.events import (
    CardFree,
    DriveDone,
    DrivePlan,
    Event,
    FileProven,
    FindingRaised,
    Leg,
    LegEnded,
    LegStarted,
    Moved,
    RollPlanned,
)
from rollproof.models.findings import Finding, Kind, Severity

_STALL_SECONDS = 5.0
_DRIVE_LOST = frozenset({Kind.DRIVE_FAILED, Kind.DRIVE_FULL, Kind.DRIVE_GONE, Kind.DRIVE_HANGS})
_SAID_IN_FULL = 3  # findings of one kind on one drive; the rest are counted


class LaneState(StrEnum):
    """What a lane is doing, whatever its leg."""

    WAITING = "waiting"
    WORKING = "working"
    STALLED = "stalled"
    ENDED = "ended"
    STOPPED = "stopped"
    FAILED = "failed"


@dataclass(slots=True)
class _LegProgress:
    leg: Leg
    drive: str
    files: int
    size_bytes: int
    started: float
    speed: Speed
    moved_bytes: int = 0
    moved_files: int = 0
    path: str = ""
    last_moved: float = 0.0
    ended: float | None = None
    ok: bool = True

    @property
    def left_bytes(self) -> int:
        return 0 if self.ended is not None else max(self.size_bytes - self.moved_bytes, 0)


@dataclass(slots=True)
class _Roll:
    name: str
    card: str = ""
    plan: RollPlanned | None = None
    started: float | None = None
    legs: dict[tuple[Leg, str], _LegProgress] = field(default_factory=dict)
    drives: dict[str, DrivePlan | None] = field(default_factory=dict)
    done: dict[str, str] = field(default_factory=dict)
    proven: Counter[str] = field(default_factory=Counter)
    card_free: bool = False
    lost: set[str] = field(default_factory=set)
    """Drives that failed; the card is the empty name."""
    held: list[Moment] = field(default_factory=list)
    """Findings of the preflight, to be said when the work begins."""
    stopping: bool = False
    """The whole roll ends early: legs that end now do not speak of their drive."""


@dataclass(frozen=True, slots=True)
class Lane:
    """One line of the screen: the card (`drive` empty) or a drive, and the leg it is on.

    `fraction` is 0…1 of this leg, None when there is nothing to measure. `rate` is in bytes per second.
    `seconds_left` is for this leg alone. `quiet_seconds` is how long nothing has moved, when that is worth saying.
    `done` is the state of `DriveDone` once it came.
    """

    drive: str
    leg: Leg | None
    state: LaneState
    fraction: float | None
    left_bytes: int
    rate: float | None
    seconds_left: float | None
    quiet_seconds: float
    path: str
    files_proven: int
    done: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """The state of the roll being worked on, at one moment.

    `card_free_seconds` and `proven_seconds` count from now; None means that it is too early to say.
    `fraction` is over all legs of the roll.
    """

    roll: str
    plan: RollPlanned | None
    lanes: tuple[Lane, ...]
    card_free: bool
    card_free_seconds: float | None
    proven_seconds: float | None
    all_done: bool
    fraction: float
    cards_before: int
    cards_total: int
    elapsed_seconds: float


class MomentKind(StrEnum):
    """What is worth a line of its own."""

    PLANNED = "planned"
    CARD_FREE = "card free"
    DRIVE_LOST = "drive lost"
    DRIVE_DONE = "drive done"
    FINDING = "finding"


@dataclass(frozen=True, slots=True)
class Moment:
    """Something to be said once. `last_use` says that no further card needs the drive."""

    kind: MomentKind
    roll: str
    drive: str = ""
    state: str = ""
    last_use: bool = True
    plan: RollPlanned | None = None
    finding: Finding | None = None


class ProgressModel:
    """Takes events from any thread; gives pictures and moments to one reader.

    `clock` returns monotonic seconds. `cards_total` is how many cards were named (0: not an offload).
    """

    def __init__(self, clock: Callable[[], float], cards_total: int = 1) -> None:
        self._clock = clock
        self._cards_total = cards_total
        self._lock = threading.Lock()
        self._rolls: dict[str, _Roll] = {}
        self._current: _Roll | None = None
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
                case FileProven():
                    self._roll(event.roll).proven[event.drive] += 1
                case LegStarted():
                    self._leg_started(event, now)
                case LegEnded():
                    self._leg_ended(event, now)
                case RollPlanned():
                    self._planned(event)
                case CardFree():
                    self._roll(event.roll).card_free = True
                    self._moments.append(Moment(MomentKind.CARD_FREE, event.roll))
                case DriveDone():
                    self._drive_done(event)
                case FindingRaised():
                    self._finding(event)

    def _roll(self, name: str) -> _Roll:
        roll = self._rolls.get(name)
        if roll is None:
            roll = self._rolls[name] = _Roll(name)
        if self._current is None:
            self._current = roll
        return roll

    def _planned(self, event: RollPlanned) -> None:
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
        roll.legs[event.leg, event.drive] = _LegProgress(
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

    def _leg_failed(self, roll: _Roll, event: LegEnded) -> None:
        if not event.drive:
            roll.stopping = True  # without its card the drives of a roll stop too, through no fault of theirs
        if not (roll.stopping or self._stopping):
            self._lose(roll, event.drive)

    def _lose(self, roll: _Roll, drive: str) -> None:
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
        last_use = self._position(roll) + 1 >= self._cards_total
        self._moments.append(
            Moment(MomentKind.DRIVE_DONE, event.roll, drive=event.drive, state=event.state, last_use=last_use)
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

    def _position(self, roll: _Roll) -> int:
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
            lanes = [self._lane(roll, "", now)] if self._has_card(roll) else []
            lanes += [self._lane(roll, drive, now) for drive in roll.drives]
            card_free = self._card_seconds(roll, now)
            return Picture(
                roll=roll.name,
                plan=roll.plan,
                lanes=tuple(lanes),
                card_free=roll.card_free,
                card_free_seconds=card_free,
                proven_seconds=self._proven_seconds(roll, card_free, now),
                all_done=bool(roll.drives) and all(drive in roll.done or drive in roll.lost for drive in roll.drives),
                fraction=self._fraction(roll),
                cards_before=self._position(roll),
                cards_total=self._cards_total,
                elapsed_seconds=0.0 if roll.started is None else now - roll.started,
            )

    @staticmethod
    def _has_card(roll: _Roll) -> bool:
        return roll.plan is not None or any(not drive for _, drive in roll.legs)

    def _lane(self, roll: _Roll, drive: str, now: float) -> Lane:
        order = (Leg.READ_CARD, Leg.READ_CARD_AGAIN) if not drive else (Leg.WRITE, Leg.READ_BACK, Leg.RECORD)
        legs = [roll.legs[leg, drive] for leg in order if (leg, drive) in roll.legs]
        done = roll.done.get(drive, "")
        proven = roll.proven[drive]
        if not legs:
            lost = drive in roll.lost
            state = LaneState.FAILED if lost else LaneState.ENDED if done else LaneState.WAITING
            return Lane(drive, None, state, None, 0, None, None, 0.0, "", proven, done)
        running = [leg for leg in legs if leg.ended is None]
        leg = running[-1] if running else legs[-1]
        quiet = 0.0
        if leg.ended is not None or done:
            state = LaneState.ENDED
        elif leg.left_bytes and now - leg.last_moved >= _STALL_SECONDS:
            state, quiet = LaneState.STALLED, now - leg.last_moved
        else:
            state = LaneState.WORKING
        if any(not each.ok for each in legs):
            state = LaneState.STOPPED
        if drive in roll.lost:
            state = LaneState.FAILED
        working = state in (LaneState.WORKING, LaneState.STALLED)
        rate = leg.speed.rate(now) if working else None
        return Lane(
            drive=drive,
            leg=leg.leg,
            state=state,
            fraction=_part(leg),
            left_bytes=leg.left_bytes,
            rate=rate,
            seconds_left=_seconds(leg.left_bytes, rate) if working else None,
            quiet_seconds=quiet,
            path=leg.path if working else "",
            files_proven=proven,
            done=done,
        )

    # --- estimates, from the speeds seen so far

    def _left(self, roll: _Roll, leg: Leg, drive: str, planned_bytes: int) -> int:
        progress = roll.legs.get((leg, drive))
        return planned_bytes if progress is None else progress.left_bytes

    def _rate(self, roll: _Roll, leg: Leg, drive: str, now: float, *substitutes: tuple[Leg, str]) -> float | None:
        for key in ((leg, drive), *substitutes):
            progress = roll.legs.get(key)
            if progress is not None:
                ended = progress.ended
                rate = progress.speed.rate(now) if ended is None else progress.speed.overall(ended)
                if rate:
                    return rate
                if ended is None and progress.left_bytes and rate == 0.0:
                    return None  # it stands still: an older, faster word would be a false promise
            if key in self._known:
                return self._known[key]
        return None

    def _card_seconds(self, roll: _Roll, now: float) -> float | None:
        """Until the last read of the card has ended."""
        if roll.card_free:
            return 0.0
        size_bytes = roll.plan.size_bytes if roll.plan else 0
        first = _seconds(self._left(roll, Leg.READ_CARD, "", size_bytes), self._rate(roll, Leg.READ_CARD, "", now))
        if roll.plan is None or roll.plan.source_passes < 2:
            return first
        second = _seconds(
            self._left(roll, Leg.READ_CARD_AGAIN, "", size_bytes),
            self._rate(roll, Leg.READ_CARD_AGAIN, "", now, (Leg.READ_CARD, "")),
        )
        return None if first is None or second is None else first + second

    def _drive_seconds(self, roll: _Roll, drive: str, now: float) -> float | None:
        plan = roll.drives[drive]
        write = _seconds(
            self._left(roll, Leg.WRITE, drive, plan.write_bytes if plan else 0),
            self._rate(roll, Leg.WRITE, drive, now, (Leg.READ_CARD, "")),
        )
        read_back = _seconds(
            self._left(roll, Leg.READ_BACK, drive, plan.read_back_bytes if plan else 0),
            # before a drive was read its own writing speed is the cautious guess
            self._rate(roll, Leg.READ_BACK, drive, now, (Leg.WRITE, drive), (Leg.READ_CARD, "")),
        )
        return None if write is None or read_back is None else write + read_back

    def _proven_seconds(self, roll: _Roll, card_seconds: float | None, now: float) -> float | None:
        """Until every drive that has not failed is proven."""
        longest = card_seconds
        for drive in roll.drives:
            if drive in roll.done or drive in roll.lost:
                continue
            seconds = self._drive_seconds(roll, drive, now)
            if seconds is None or longest is None:
                return None
            longest = max(longest, seconds)
        return longest

    def _fraction(self, roll: _Roll) -> float:
        total = moved = 0
        planned: dict[tuple[Leg, str], int] = {}
        if roll.plan is not None:
            planned[Leg.READ_CARD, ""] = roll.plan.size_bytes
            if roll.plan.source_passes > 1:
                planned[Leg.READ_CARD_AGAIN, ""] = roll.plan.size_bytes
            for drive in roll.plan.drives:
                planned[Leg.WRITE, drive.drive] = drive.write_bytes
                planned[Leg.READ_BACK, drive.drive] = drive.read_back_bytes
        for key in planned.keys() | roll.legs.keys():
            progress = roll.legs.get(key)
            size_bytes = progress.size_bytes if progress else planned[key]
            total += size_bytes
            if progress is not None:
                moved += size_bytes - progress.left_bytes
        return moved / total if total else 0.0


def _part(leg: _LegProgress) -> float | None:
    if leg.size_bytes:
        return min(leg.moved_bytes / leg.size_bytes, 1.0)
    if leg.files:
        return min(leg.moved_files / leg.files, 1.0)
    return None


def _seconds(left_bytes: int, rate: float | None) -> float | None:
    if left_bytes <= 0:
        return 0.0
    return left_bytes / rate if rate else None
