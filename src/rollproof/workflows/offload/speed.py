"""How fast each drive was written and read back, noted from the engine's events for the record of the copy.

All drives are written from one read of the card, so they keep pace with the slowest; each is read back on its own, and
it is there that a drive which is getting slower shows.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.models.events import Emit, Event, Leg, LegEnded, LegStarted, Moved
from rollproof.records import clock
from rollproof.records.models import PaceBlock

MOST_STRETCHES = 240
"""More would say nothing that these do not, and the header of a record stays small."""
_LEGS = {Leg.WRITE: "write", Leg.READ_BACK: "read back"}


@dataclass(slots=True)
class _Pace:
    """One leg of one drive."""

    began: float
    started_at: datetime
    last: float = 0.0
    total: int = 0
    stretch_seconds: float = 10.0
    stretches: list[int] = field(default_factory=list)

    def move(self, now: float, count: int) -> None:
        """Some bytes were moved by now."""
        place = int(max(now - self.began, 0.0) / self.stretch_seconds)
        while place >= MOST_STRETCHES:
            pairs = [*self.stretches, 0] if len(self.stretches) % 2 else self.stretches
            self.stretches = [one + other for one, other in zip(pairs[::2], pairs[1::2], strict=True)]
            self.stretch_seconds *= 2
            place //= 2
        self.stretches += [0] * (place + 1 - len(self.stretches))
        self.stretches[place] += count
        self.total += count
        self.last = now


class SpeedNotes:
    """Passes every event on, and remembers the pace of each drive's legs. Events may come from any thread."""

    def __init__(self, emit: Emit, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._emit = emit
        self._now = monotonic
        self._lock = threading.Lock()
        self._legs: dict[tuple[str, Leg], _Pace] = {}

    def __call__(self, event: Event) -> None:
        """Note the event, then pass it on."""
        if isinstance(event, LegStarted | Moved | LegEnded) and event.drive and event.leg in _LEGS:
            now = self._now()
            with self._lock:
                key = (event.drive, event.leg)
                pace = self._legs.get(key)
                if pace is None:
                    # a leg that begins again goes on: its pauses belong to it
                    pace = self._legs[key] = _Pace(now, clock.now(), now)
                if isinstance(event, Moved):
                    pace.move(now, event.size_bytes)
                elif isinstance(event, LegEnded):
                    pace.last = now
        self._emit(event)

    def of(self, drive: str) -> tuple[PaceBlock, ...]:
        """What a record keeps of a drive; legs that moved nothing are left out."""
        with self._lock:
            return tuple(
                PaceBlock(
                    leg=_LEGS[leg],
                    started_at=pace.started_at,
                    seconds=round(max(pace.last - pace.began, 0.0), 3),
                    bytes=pace.total,
                    stretch_seconds=pace.stretch_seconds,
                    stretches=tuple(pace.stretches),
                )
                for (of_drive, leg), pace in self._legs.items()
                if of_drive == drive and pace.total
            )
