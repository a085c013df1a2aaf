"""A drive that stands still, so that the others go on without it: for the tests of catching up."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from copying.rig import SMALL, Run
from rollproof.models.events import Event, Leg, LegEnded, LegStarted
from rollproof.models.findings import Kind

IMPATIENT = replace(SMALL, behind_seconds=0.3, behind_once_seconds=0.0, stall_seconds=20.0)
FILES = {f"CLIPS/A003C{number:03}.mov": 300_000 + number for number in range(1, 9)} | {
    f"CLIPS/A003C{number:03}.xml": 900 for number in range(1, 9)
}
WAIT = 20.0


def lies_on(drive: str, top: Path, handle: int) -> bool:
    """Whether an open file lies on a drive."""
    return os.readlink(f"/proc/self/fd/{handle}").startswith(f"{top / drive}/")


class Gate:
    """A drive whose writing stands still from its third block on until the gate is opened."""

    def __init__(self, top: Path, drive: str) -> None:
        self.top = top
        self.drive = drive
        self.stands = threading.Event()
        self.open = threading.Event()
        self.blocks = 0
        self.waited_in_vain = False

    def __call__(self, operation: str, name: bytes, arguments: tuple[Any, ...]) -> Any:
        if operation == "write" and lies_on(self.drive, self.top, arguments[0]):
            self.blocks += 1
            if self.blocks > 2:
                self.stands.set()
                self.waited_in_vain = not self.open.wait(WAIT) or self.waited_in_vain
        return None


def opened_by(gate: Gate, drives: int = 1) -> Callable[[Event], None]:
    """Opens the gate once so many other drives have been read back."""
    done: set[str] = set()

    def on_event(event: Event) -> None:
        if isinstance(event, LegEnded) and event.leg is Leg.READ_BACK:
            done.add(event.drive)
            if len(done) >= drives:
                gate.open.set()

    return on_event


def card_reads(run: Run) -> int:
    """How often the card was read from its beginning."""
    legs = (Leg.READ_CARD, Leg.READ_CARD_AGAIN)
    return sum(isinstance(event, LegStarted) and event.leg in legs for event in run.events)


def kinds(run: Run) -> set[Kind]:
    """What the lanes were told and what failed."""
    return {finding.kind for lane in run.outcome.lanes for finding in lane.notes}
