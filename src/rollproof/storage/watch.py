"""Calls that may never come back: each is timed, and whoever waits for the work can leave a silent device behind.

A device that hangs holds its caller in an uninterruptible wait that no signal ends. So the work is done in a thread of
its own, every system call in it is timed from outside, and the waiting thread goes away when one call has taken too
long. However long the work as a whole takes, it is never cut off while its calls come back.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast

T = TypeVar("T")

_POLL_SECONDS = 0.1


class NoAnswer(Exception):
    """A call has not come back for too long. The thread that made it may still be in it: no handle it uses may be
    closed, and its results count no more."""


class AskedToStop(Exception):
    """The end was asked for, and the work did not end by itself."""


class CallWatch:
    """How long the calls under way have taken, over all threads."""

    def __init__(self) -> None:
        self._under_way: dict[int, float] = {}
        self._ended: dict[int, float] = {}

    def busy_seconds(self) -> float:
        """How long the longest call under way has taken; 0 when there is none."""
        began = list(self._under_way.values())
        return time.monotonic() - min(began) if began else 0.0

    def silent_seconds(self, thread: int, since: float) -> float:
        """How long a thread's call under way has taken; between two calls a tenth of the time since the last one (or
        `since`, by the monotonic clock): working something out is no waiting, and yet must end."""
        began = self._under_way.get(thread)
        now = time.monotonic()
        return now - began if began is not None else (now - max(self._ended.get(thread, since), since)) / 10

    def timed(self, call: Callable[..., T]) -> Callable[..., T]:
        """The same call, timed."""

        # (bound here: hundreds of thousands of calls go through this)
        under_way, ended, now, own_thread = self._under_way, self._ended, time.monotonic, threading.get_ident

        @wraps(call)
        def made(*given: Any, **named: Any) -> T:
            thread = own_thread()
            under_way[thread] = now()
            try:
                return call(*given, **named)
            finally:
                under_way.pop(thread, None)
                ended[thread] = now()

        return made


class _Watched:
    """Stands in for another object; every method is timed, everything else is handed on."""

    def __init__(self, inner: object, watch: CallWatch) -> None:
        self._inner = inner
        self._watch = watch

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._inner, name)
        if not callable(found):
            return found
        timed = self._watch.timed(found)
        self.__dict__[name] = timed  # asked for once
        return timed


def watched(inner: T, watch: CallWatch) -> T:
    """An `Io` or a `Drives` like `inner`, whose calls `watch` times."""
    return cast(T, _Watched(inner, watch))


def answering(
    work: Callable[[], T], watch: CallWatch, *, seconds: float, stop_asked: Callable[[], bool], stop_seconds: float
) -> T:
    """Do the work in a thread of its own; raises what it raises.

    NoAnswer when one of the calls that `watch` times has taken longer than `seconds`; AskedToStop when the end was
    asked for and neither the work nor a call of it ended within `stop_seconds` after that.
    """
    outcome: list[T] = []
    trouble: list[BaseException] = []
    ended = threading.Event()

    def run() -> None:
        try:
            outcome.append(work())
        except BaseException as error:  # noqa: BLE001 - raised again below, in the calling thread
            trouble.append(error)
        finally:
            ended.set()

    threading.Thread(target=run, name="answering", daemon=True).start()
    asked_at: float | None = None
    while not ended.wait(_POLL_SECONDS):
        if watch.busy_seconds() > seconds and not ended.is_set():
            raise NoAnswer
        if stop_asked():
            asked_at = asked_at or time.monotonic()
            # work that goes on by itself may end in its own time; one that sits in a single call will not
            if min(watch.busy_seconds(), time.monotonic() - asked_at) > stop_seconds and not ended.is_set():
                raise AskedToStop
    if trouble:
        raise trouble[0]
    return outcome[0]
