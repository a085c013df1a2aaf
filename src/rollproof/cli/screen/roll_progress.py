"""How far one roll is: its legs, what each lane shows, and when the rest will be done by the speeds seen so far."""

from __future__ import annotations

from dataclasses import dataclass, field

from rollproof.cli.pictures import Lane, LaneState, Moment
from rollproof.cli.screen.speeds import Speed
from rollproof.models.events import DrivePlan, Leg, RollPlanned, StillNeeded

_STALL_SECONDS = 5.0


@dataclass(slots=True)
class LegProgress:
    """One leg: its totals, what has moved, how fast. Times are monotonic seconds; `ended` is None while it runs."""

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
        """Bytes this leg still has to move; none once it has ended, however it ended."""
        return 0 if self.ended is not None else max(self.size_bytes - self.moved_bytes, 0)

    @property
    def waits_for_others(self) -> bool:
        """Catching up, and no other drive has given anything yet: it is flushed first."""
        return (
            self.leg is Leg.CATCH_UP
            and self.ended is None
            and bool(self.files)
            and not self.moved_files | self.moved_bytes
        )


@dataclass(slots=True)
class RollProgress:
    """One roll: plan, legs and drives as the events told them. Not thread-safe: its owner holds the lock."""

    name: str
    known: dict[tuple[Leg, str], float]
    """Speeds of legs that have ended, of earlier cards too, in bytes per second; shared by all rolls."""
    card: str = ""
    plan: RollPlanned | None = None
    started: float | None = None
    legs: dict[tuple[Leg, str], LegProgress] = field(default_factory=dict)
    drives: dict[str, DrivePlan | None] = field(default_factory=dict)
    done: dict[str, str] = field(default_factory=dict)
    needed: dict[str, StillNeeded | None] = field(default_factory=dict)
    """Of drives that are done: who still needs them."""
    card_free: bool = False
    read_again: bool = False
    """Its last read has ended, and was not good enough."""
    lost: set[str] = field(default_factory=set)
    """Drives that failed; the card is the empty name."""
    held: list[Moment] = field(default_factory=list)
    """Findings of the preflight, to be said when the work begins."""
    stopping: bool = False
    """The whole roll ends early: legs that end now do not speak of their drive."""

    @property
    def of_copy(self) -> bool:
        """Whether it is copied from a recorded copy and not from its card."""
        return self.plan is not None and self.plan.of_copy

    def has_card(self) -> bool:
        """Whether a card is being read (a verify has none)."""
        return self.plan is not None or any(not drive for _, drive in self.legs)

    def lane(self, drive: str, now: float) -> Lane:
        """The line of a drive, or of the card for the empty name."""
        order = (
            (Leg.READ_CARD, Leg.READ_CARD_AGAIN) if not drive else (Leg.WRITE, Leg.CATCH_UP, Leg.READ_BACK, Leg.RECORD)
        )
        legs = [self.legs[leg, drive] for leg in order if (leg, drive) in self.legs]
        done = self.done.get(drive, "")
        if not legs:
            lost = drive in self.lost
            state = LaneState.FAILED if lost else LaneState.ENDED if done else LaneState.WAITING
            return Lane(drive, None, state, None, 0, None, None, 0.0, "", done, self.needed.get(drive))
        running = [leg for leg in legs if leg.ended is None]
        leg = running[-1] if running else legs[-1]
        quiet = 0.0
        if leg.ended is not None or done:
            state = LaneState.ENDED
        elif leg.waits_for_others:
            state = LaneState.WAITING
        elif leg.left_bytes and now - leg.last_moved >= _STALL_SECONDS:
            state, quiet = LaneState.STALLED, now - leg.last_moved
        else:
            state = LaneState.WORKING
        if any(not each.ok for each in legs):
            state = LaneState.STOPPED
        if drive in self.lost:
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
            done=done,
            needed=self.needed.get(drive),
        )

    # --- estimates, from the speeds seen so far

    def _left(self, leg: Leg, drive: str, planned_bytes: int) -> int:
        progress = self.legs.get((leg, drive))
        return planned_bytes if progress is None else progress.left_bytes

    def _rate(self, leg: Leg, drive: str, now: float, *substitutes: tuple[Leg, str]) -> float | None:
        for key in ((leg, drive), *substitutes):
            progress = self.legs.get(key)
            if progress is not None:
                ended = progress.ended
                rate = progress.speed.rate(now) if ended is None else progress.speed.overall(ended)
                if rate:
                    return rate
                if ended is None and progress.left_bytes and rate == 0.0:
                    return None  # it stands still: an older, faster word would be a false promise
            if key in self.known:
                return self.known[key]
        return None

    def card_seconds(self, now: float) -> float | None:
        """Seconds until the last read of the card has ended; None when it is too early to say."""
        if self.card_free:
            return 0.0
        size_bytes = self.plan.size_bytes if self.plan else 0
        first = _seconds(self._left(Leg.READ_CARD, "", size_bytes), self._rate(Leg.READ_CARD, "", now))
        if self.plan is None or self.plan.source_passes < 2:
            return first
        second = _seconds(
            self._left(Leg.READ_CARD_AGAIN, "", size_bytes),
            self._rate(Leg.READ_CARD_AGAIN, "", now, (Leg.READ_CARD, "")),
        )
        return None if first is None or second is None else first + second

    def _drive_seconds(self, drive: str, now: float) -> float | None:
        plan = self.drives[drive]
        write = _seconds(
            self._left(Leg.WRITE, drive, plan.write_bytes if plan else 0),
            self._rate(Leg.WRITE, drive, now, (Leg.READ_CARD, "")),
        )
        catch_up = self._catch_up_seconds(drive, now)
        read_back = _seconds(
            self._left(Leg.READ_BACK, drive, plan.read_back_bytes if plan else 0),
            # before a drive was read its own writing speed is the cautious guess
            self._rate(Leg.READ_BACK, drive, now, (Leg.WRITE, drive), (Leg.READ_CARD, "")),
        )
        if write is None or catch_up is None or read_back is None:
            return None
        return write + catch_up + read_back

    def _catch_up_seconds(self, drive: str, now: float) -> float | None:
        """Seconds until a drive that fell behind has everything; it begins when the first other one is flushed."""
        progress = self.legs.get((Leg.CATCH_UP, drive))
        if progress is None:
            return 0.0
        if not progress.waits_for_others:
            return _seconds(progress.left_bytes, self._rate(Leg.CATCH_UP, drive, now, (Leg.WRITE, drive)))
        others = [
            _seconds(
                self._left(Leg.WRITE, other, plan.write_bytes if plan else 0),
                self._rate(Leg.WRITE, other, now, (Leg.READ_CARD, "")),
            )
            for other, plan in self.drives.items()
            if other not in self.lost and (Leg.CATCH_UP, other) not in self.legs
        ]
        waits = min((seconds for seconds in others if seconds is not None), default=None)
        takes = _seconds(progress.left_bytes, self._rate(Leg.WRITE, drive, now))
        return None if waits is None or takes is None else waits + takes

    def proven_seconds(self, card_seconds: float | None, now: float) -> float | None:
        """Seconds until every drive that has not failed is proven; None when it is too early to say."""
        longest = card_seconds
        for drive in self.drives:
            if drive in self.done or drive in self.lost:
                continue
            seconds = self._drive_seconds(drive, now)
            if seconds is None or longest is None:
                return None
            longest = max(longest, seconds)
        return longest

    def fraction(self) -> float:
        """How much of all bytes that the roll's legs are to move has moved, 0 to 1."""
        total = moved = 0
        planned: dict[tuple[Leg, str], int] = {}
        if self.plan is not None:
            planned[Leg.READ_CARD, ""] = self.plan.size_bytes
            if self.plan.source_passes > 1:
                planned[Leg.READ_CARD_AGAIN, ""] = self.plan.size_bytes
            for drive in self.plan.drives:
                planned[Leg.WRITE, drive.drive] = drive.write_bytes
                planned[Leg.READ_BACK, drive.drive] = drive.read_back_bytes
        for key in planned.keys() | self.legs.keys():
            progress = self.legs.get(key)
            size_bytes = progress.size_bytes if progress else planned[key]
            rest = self.legs.get((Leg.CATCH_UP, key[1])) if key[0] is Leg.WRITE else None
            if rest is not None:
                size_bytes = max(size_bytes - rest.size_bytes, 0)  # what it did not get from the card comes later
            total += size_bytes
            if progress is not None:
                moved += max(size_bytes - progress.left_bytes, 0)
        return moved / total if total else 0.0


def _part(leg: LegProgress) -> float | None:
    if leg.size_bytes:
        return min(leg.moved_bytes / leg.size_bytes, 1.0)
    if leg.files:
        return min(leg.moved_files / leg.files, 1.0)
    return None


def _seconds(left_bytes: int, rate: float | None) -> float | None:
    if left_bytes <= 0:
        return 0.0
    return left_bytes / rate if rate else None
