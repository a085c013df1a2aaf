"""One drive as the engine sees it: how it is written and read, and what the workflow does on it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from rollproof.copying.writer import WriteWays
from rollproof.models.findings import Finding
from rollproof.models.volumes import Limits
from rollproof.storage.medium import MediumAccess
from rollproof.storage.watch import CallWatch


class Watch:
    """When a lane's present call began; None while it only waits for others. Read by the engine."""

    def __init__(self) -> None:
        self._since: float | None = None
        self._calls: Callable[[], float] | None = None

    def busy(self) -> None:
        """A call on the drive begins, or the next one of a row."""
        self._since, self._calls = time.monotonic(), None

    def idle(self) -> None:
        """Waiting for others now."""
        self._since = self._calls = None

    def busy_with_many(self, calls: CallWatch) -> None:
        """Work of many calls on the drive begins in this thread, which may take long as long as each comes back."""
        thread, began = threading.get_ident(), time.monotonic()
        self._since, self._calls = began, lambda: calls.silent_seconds(thread, began)

    def busy_seconds(self) -> float:
        """How long the present call has taken; 0 while idle."""
        since, calls = self._since, self._calls
        if calls is not None:
            return calls()
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


def _tell_nobody(finding: Finding) -> None:
    pass


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
    calls: CallWatch | None = None
    """Times the calls of `work`; without it, its sealing as a whole counts as one call."""
    lost: Callable[[Finding], None] = _tell_nobody
    """Is told at once why the work on this drive ended; from any thread, and without a call on the drive."""
    rotational: bool = False
    """A spinning disk: it is not read for others while it is read back."""
