"""Work on several devices at once: one worker for each physical device, none of which can hold up the others."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Generic, TypeVar, cast

from rollproof.models.errors import Interrupted
from rollproof.models.requests import Cancel
from rollproof.storage.io import Io

Item = TypeVar("Item")
_TICK_SECONDS = 0.05


class Pulse:
    """When a device last answered anything, in monotonic seconds."""

    def __init__(self) -> None:
        self.at = time.monotonic()

    def beat(self) -> None:
        """Something answered."""
        self.at = time.monotonic()


def pulsing(io: Io, pulse: Pulse) -> Io:
    """The same system calls; every one that returns is noted."""
    return cast(Io, _Pulsing(io, pulse))


class _Pulsing:
    def __init__(self, io: Io, pulse: Pulse) -> None:
        self._io = io
        self._pulse = pulse

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._io, name)
        if not callable(found):
            return found
        pulse = self._pulse

        def call(*args: Any, **given: Any) -> Any:
            try:
                return found(*args, **given)
            finally:
                pulse.at = time.monotonic()

        setattr(self, name, call)  # made once
        return call


class Crew(Generic[Item]):
    """Workers, one for each group of items. `work` is called for one item after the other of a group, with the
    worker's own pulse; what it raises, except Interrupted, ends the whole job."""

    def __init__(self, work: Callable[[int, Item, Pulse], None], cancel: Cancel, stall_seconds: float) -> None:
        self._work = work
        self._cancel = cancel
        self._stall_seconds = stall_seconds

    def run(self, groups: Sequence[Sequence[Item]], *, cancel_seconds: float) -> list[int]:
        """Run to the end; returns the numbers of the groups whose device stopped answering (their threads are left
        behind). Raises Interrupted when the end was asked for, after the workers have stopped or were given time to.
        """
        errors: list[BaseException] = []
        pulses = [Pulse() for _ in groups]
        threads = [
            threading.Thread(
                target=self._group, args=(number, group, pulses[number], errors), name=f"audit-{number}", daemon=True
            )
            for number, group in enumerate(groups)
        ]
        for thread in threads:
            thread.start()
        hanging: list[int] = []
        asked_at: float | None = None
        while left := [number for number, thread in enumerate(threads) if thread.is_alive() and number not in hanging]:
            threads[left[0]].join(_TICK_SECONDS)
            now = time.monotonic()
            if self._cancel.is_set():
                asked_at = asked_at if asked_at is not None else now
                if now - asked_at > cancel_seconds and all(now - pulses[n].at > cancel_seconds for n in left):
                    break
            hanging += [number for number in left if now - pulses[number].at > self._stall_seconds]
        if errors:
            raise errors[0]
        if self._cancel.is_set():
            raise Interrupted("interrupted")
        return hanging

    def _group(self, number: int, group: Sequence[Item], pulse: Pulse, errors: list[BaseException]) -> None:
        try:
            for item in group:
                if self._cancel.is_set():
                    return
                self._work(number, item, pulse)
                pulse.beat()
        except Interrupted:
            return
        except BaseException as error:  # noqa: BLE001 - handed to the thread that waits for this one
            errors.append(error)
            self._cancel_others()

    def _cancel_others(self) -> None:
        self._cancel.set()
