"""Work on one device, for whoever must not wait for ever: a call that does not come back ends that work.

However long the work as a whole takes, it is never cut off while its calls come back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from rollproof.models.errors import CouldNotFinish, Interrupted
from rollproof.models.names import shown
from rollproof.models.requests import Cancel
from rollproof.storage.errors import hanging
from rollproof.storage.watch import AskedToStop, CallWatch, NoAnswer, answering, watched

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Patience:
    """How many seconds one call may take, and how many an asked-for end is waited for. `silent_after` is what people
    are told of the first (a reader that watches its own calls says more precisely what hangs, and is let do so)."""

    call_seconds: float
    stop_seconds: float
    silent_after: float
    stopped: str = "interrupted while a drive did not answer"


class Guard:
    """Times the calls of some work on one device. What `watching` returns is to be used by that work, and by nothing
    else: what hangs there counts as this device's."""

    def __init__(self, patience: Patience, cancel: Cancel) -> None:
        self._watch = CallWatch()
        self._patience = patience
        self._cancel = cancel

    def watching(self, thing: T) -> T:
        """An `Io` or a `Drives` like this one, whose calls are timed."""
        return watched(thing, self._watch)

    def timed(self, call: Callable[..., T]) -> Callable[..., T]:
        """The same call, timed."""
        return self._watch.timed(call)

    def run(self, work: Callable[[], T]) -> T:
        """Do the work in a thread of its own; raises what it raises.

        NoAnswer when a call has not come back for too long: no handle of the work may be closed then, and what it
        changes later counts no more. Interrupted when the end was asked for and a call keeps it from coming.
        """
        patience = self._patience
        try:
            return answering(
                work,
                self._watch,
                seconds=patience.call_seconds,
                stop_asked=self._cancel.is_set,
                stop_seconds=patience.stop_seconds,
            )
        except AskedToStop:
            raise Interrupted(patience.stopped) from None

    def run_whole(self, work: Callable[[], T]) -> T:
        """`run`, where the whole work counts as one call."""
        return self.run(self.timed(work))

    def run_or_end(self, work: Callable[[], T], path: bytes, what_is_safe: str) -> T:
        """`run`, where nothing else is left to be done: CouldNotFinish, with the finding, when the device hangs."""
        try:
            return self.run(work)
        except NoAnswer:
            name, seconds = shown(path), self._patience.silent_after
            finding = hanging(name, seconds)
            raise CouldNotFinish(
                f"{name} has not answered for {seconds:.0f} seconds and was given up; {what_is_safe}",
                hint=finding.remedy,
                findings=[finding],
            ) from None
