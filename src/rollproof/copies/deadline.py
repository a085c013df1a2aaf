"""Work on one device, for whoever must not wait for ever: a call that does not come back ends that work.

The bound is that of every command: `Settings.stall_seconds` for one call, and a few seconds for those who watch their
own reads to say more precisely what hangs. However long the work as a whole takes, it is never cut off while its calls
come back.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from rollproof.drives.interface import Drives
from rollproof.models.errors import CouldNotFinish, Interrupted
from rollproof.models.names import shown
from rollproof.models.requests import Cancel
from rollproof.reading.settings import Settings
from rollproof.storage.errors import hanging
from rollproof.storage.io import Io
from rollproof.storage.watch import AskedToStop, CallWatch, NoAnswer, answering, watched

T = TypeVar("T")

_STOP_SECONDS = 2.0
_STOPPED = "Stopped while looking at the drives; nothing was copied."


class InTime:
    """The calls of some work on one device, timed. `io` and `drives` are to be used by that work, and by nothing else:
    what hangs there counts as this device's."""

    def __init__(self, io: Io, drives: Drives, settings: Settings, cancel: Cancel) -> None:
        self._watch = CallWatch()
        self._settings = settings
        self._cancel = cancel
        self.io = watched(io, self._watch)
        self.drives = watched(drives, self._watch)

    def run(self, work: Callable[[], T]) -> T:
        """Do the work in a thread of its own; raises what it raises.

        NoAnswer when a call has not come back for too long: no handle of the work may be closed then, and what it
        changes later counts no more. Interrupted when the end was asked for and a call keeps it from coming.
        """
        settings = self._settings
        try:
            return answering(
                work,
                self._watch,
                seconds=settings.stall_seconds + settings.workers_end_seconds + settings.cancel_seconds,
                stop_asked=self._cancel.is_set,
                stop_seconds=settings.cancel_seconds,
            )
        except AskedToStop:
            raise Interrupted("interrupted while a drive did not answer") from None

    def run_or_end(self, work: Callable[[], T], path: bytes, what_is_safe: str) -> T:
        """The same where nothing else is left to be done: CouldNotFinish, with the finding, when the device hangs."""
        try:
            return self.run(work)
        except NoAnswer:
            name = shown(path)
            finding = hanging(name, self._settings.stall_seconds)
            raise CouldNotFinish(
                f"{name} has not answered for {self._settings.stall_seconds:.0f} seconds and was given up;"
                f" {what_is_safe}",
                hint=finding.remedy,
                findings=[finding],
            ) from None


def within(seconds: float, work: Callable[[], T], cancel: Cancel) -> T:
    """Run something that may hang on a drive. Raises TimeoutError when it does, Interrupted when the end is asked for
    and does not come, and otherwise what the work raises."""
    outcome: list[T] = []
    trouble: list[BaseException] = []

    def run() -> None:
        try:
            outcome.append(work())
        except BaseException as error:  # noqa: BLE001 - raised again below, in the calling thread
            trouble.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    ends_at = time.monotonic() + seconds
    while thread.is_alive():
        thread.join(0.1)
        if cancel.is_set():
            thread.join(_STOP_SECONDS)
            if thread.is_alive():
                raise Interrupted(_STOPPED)
        elif time.monotonic() > ends_at and thread.is_alive():
            raise TimeoutError
    if trouble:
        raise trouble[0]
    return outcome[0]
