"""Who still needs a drive while an offload runs: its own rolls, its other destinations, other runs of this station.

Stands between the engine and those who listen: what the engine says of one copy becomes true for the whole drive.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass, replace

from rollproof.models.events import DriveDone, Emit, Event, LegEnded
from rollproof.models.volumes import Volume
from rollproof.proof.devices import are_one
from rollproof.proof.unplugging import UnpluggingFacts, still_needed
from rollproof.station.at_work import AtWork
from rollproof.workflows.offload.target import DriveAtWork


@dataclass(slots=True)
class _Target:
    volume: Volume
    done: DriveDone | None = None
    """The last word of the engine."""

    @property
    def is_finished(self) -> bool:
        return self.done is not None and self.done.needed is None


class Unplugging:
    """Hands on every event; `DriveDone` with the need that the whole drive still serves. Any thread may call it."""

    def __init__(self, emit: Emit, at_work: AtWork) -> None:
        self._emit = emit
        self._at_work = at_work
        self._lock = threading.RLock()
        self._targets: dict[str, _Target] = {}
        self._begun: dict[str, Volume] = {}
        self._more_cards = False
        self.more_rolls = False
        """Whether further rolls of the recorded copy follow."""
        self.histories = False
        """Whether a history around the rolls is written at the end."""

    def next_card(self, *, is_last: bool) -> None:
        """The next card, or recorded copy, of this run is its last one, or further ones follow."""
        self._more_cards, self.more_rolls, self.histories = not is_last, False, False

    def begin(self, targets: Iterable[tuple[str, Volume]]) -> None:
        """A roll begins on these drives, each with its volume."""
        with self._lock:
            self._targets = {drive: _Target(volume) for drive, volume in targets}
            for drive, target in self._targets.items():
                before = self._begun.get(drive)
                self._at_work.begin(target.volume)
                self._begun[drive] = target.volume
                if before is not None:
                    self._at_work.end(before)

    def __call__(self, event: Event) -> None:
        """Hand on one event."""
        if isinstance(event, DriveDone) or (isinstance(event, LegEnded) and event.drive and not event.ok):
            self._about_drive(event)
        else:
            self._emit(event)

    def _about_drive(self, event: DriveDone | LegEnded) -> None:
        with self._lock:
            target = self._targets.get(event.drive)
            if target is None:
                self._emit(event)
                return
            if isinstance(event, DriveDone):
                target.done = event
                self._emit(self._judged(event, target))
            else:
                target.done = DriveDone(event.roll, event.drive, "failed")
                self._emit(event)
            if target.is_finished:
                self._release_others(event.drive, target)

    def _release_others(self, drive: str, target: _Target) -> None:
        """Destinations on the same drive that waited for this one are told anew."""
        for other, beside in self._targets.items():
            done = beside.done
            if other == drive or done is None or done.needed or done.state == "failed":
                continue
            if _share(beside.volume, target.volume):
                self._emit(self._judged(done, beside))

    def _judged(self, event: DriveDone, target: _Target) -> DriveDone:
        if event.state == "failed":
            self._let_go(event.drive)
            return event
        facts = UnpluggingFacts(
            gives_to_slower=event.needed is not None,
            other_destination=any(
                not beside.is_finished and _share(beside.volume, target.volume)
                for drive, beside in self._targets.items()
                if drive != event.drive
            ),
            more_rolls=self._more_cards or self.more_rolls,
            histories=self.histories,
        )
        need = still_needed(facts)
        if need is None:
            self._let_go(event.drive)
            need = still_needed(replace(facts, other_run=self._at_work.others_at_work(target.volume)))
        return replace(event, needed=need)

    def _let_go(self, drive: str) -> None:
        volume = self._begun.pop(drive, None)
        if volume is not None:
            self._at_work.end(volume)


def begin_roll(emit: Emit, drives: Iterable[DriveAtWork]) -> None:
    """A roll begins on these drives: to be known by whoever stands before the listeners of this run."""
    if isinstance(emit, Unplugging):
        emit.begin((at.drive, at.volume) for at in drives)


def _share(one: Volume, other: Volume) -> bool:
    return one.st_dev == other.st_dev or are_one(one.device, other.device) is True
