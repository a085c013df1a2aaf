"""Who helps whom: drives that fell behind and still lack files, and those that can give them.

Kept in one place under one lock, because every drive's own thread asks and tells, and because what a person is told
depends on all of them: a drive that has everything may be unplugged only when nobody gets anything from it any more.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from rollproof.models.events import DriveDone, Emit, StillNeeded
from rollproof.models.volumes import Limits
from rollproof.storage.medium import MediumAccess


@dataclass(frozen=True, slots=True)
class Donor:
    """A drive whose copies are all written and flushed. `where` gives the path under which a file stands there now."""

    drive: str
    root: int
    access: MediumAccess
    limits: Limits
    where: Callable[[int], bytes]


class Helping:
    """All drives of one offload. Every method may be called from any thread."""

    def __init__(self, roll: str, drives: Sequence[str], emit: Emit) -> None:
        self._roll = roll
        self._drives = tuple(drives)
        self._emit = emit
        self._changed = threading.Condition()
        self._donors: dict[str, Donor] = {}
        self._lost: set[str] = set()
        self._lacking: set[str] = set()
        self._taking: set[str] = set()
        self._staying: dict[str, str] = {}

    # --- what becomes of a drive

    def fell_behind(self, drive: str) -> None:
        """From now on it lacks files that another one has to give."""
        with self._changed:
            if drive not in self._lost:
                self._lacking.add(drive)

    def has_all(self, drive: str) -> None:
        """It lacks nothing that could be had any more."""
        with self._changed:
            self._needs_no_more(drive)

    def may_give(self, donor: Donor) -> None:
        """This drive is flushed, and others may read from it."""
        with self._changed:
            self._donors[donor.drive] = donor
            self._changed.notify_all()

    def lost(self, drive: str) -> None:
        """It failed, hangs or was stopped: it gives nothing and needs nothing."""
        with self._changed:
            self._lost.add(drive)
            self._needs_no_more(drive)

    def sealed(self, drive: str, state: str) -> None:
        """Its records are down: tells that it may be unplugged, or has to stay for now."""
        with self._changed:
            stays = bool(self._lacking - {drive})
            if stays:
                self._staying[drive] = state
            self._emit(DriveDone(self._roll, drive, state, StillNeeded.SLOWER_DRIVE if stays else None))

    def _needs_no_more(self, drive: str) -> None:
        self._lacking.discard(drive)
        self._taking.discard(drive)
        self._changed.notify_all()
        if not self._lacking:
            released, self._staying = self._staying, {}
            for other, state in released.items():
                self._emit(DriveDone(self._roll, other, state))

    # --- for a drive that lacks files

    def next_donor(self, drive: str, tried: Collection[str], seconds: float) -> tuple[Donor | None, bool]:
        """A drive to get files from that was not tried yet, waiting so long for one; and whether one may still come.

        Whoever got a donor so counts as taking until it asks again: others may hope for it. Two drives that both wait
        for a donor do not wait for each other.
        """
        with self._changed:
            self._taking.discard(drive)
            self._changed.notify_all()
            self._changed.wait_for(
                lambda: self._find(drive, tried) is not None or not self._hope(drive, tried), seconds
            )
            found = self._find(drive, tried)
            if found is not None:
                self._taking.add(drive)
            return found, found is not None or self._hope(drive, tried)

    def _others(self, drive: str, tried: Collection[str]) -> list[str]:
        return [other for other in self._drives if other != drive and other not in tried and other not in self._lost]

    def _find(self, drive: str, tried: Collection[str]) -> Donor | None:
        return next((self._donors[other] for other in self._others(drive, tried) if other in self._donors), None)

    def _hope(self, drive: str, tried: Collection[str]) -> bool:
        return any(
            other in self._donors or other not in self._lacking or other in self._taking
            for other in self._others(drive, tried)
        )
