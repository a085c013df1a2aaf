"""Whose turn it is to work through small files.

The interpreter runs one thread at a time, and each call on a file gives its lock away for a moment. With several
threads in thousands of small files that lock goes to and fro between the processors, which takes a quarter of all
processor time of such a card. So those threads take turns of some milliseconds.

A turn is a courtesy that nothing depends on. A thread whose turns are mostly spent waiting for its device works apart
from the others for a while; who is kept waiting by one that hangs takes the turn over.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Iterator
from types import TracebackType

_LONG_SECONDS = 0.01
"""After so much of a turn it is another's."""
_JUDGED_SECONDS = 0.1
"""So long, in sum, somebody must have had the turn before it is judged whether that was worth it: a few calls on a
device that is quick otherwise take long."""
_WORKED_SHARE = 0.25
"""The share of it that must have been work. On local disks it came to a half and more."""

_MOST_DOUBLINGS = 5
"""How often the time apart doubles."""


class Turns:
    """Who has the turn, and who waits for it, first come first served."""

    def __init__(self, *, patience_seconds: float = 0.1, apart_seconds: float = 0.5) -> None:
        """`patience_seconds` is how long a turn may last before another takes it over, `apart_seconds` how long one
        that waits for its device takes none, the first time."""
        self._patience = patience_seconds
        self.apart_seconds = apart_seconds
        self._guard = threading.Lock()
        self._holder: Turn | None = None
        self._since = 0.0
        self._queue: deque[Turn] = deque()

    def turn(self) -> Turn:
        """The part of one thread in it."""
        return Turn(self)

    def has(self, turn: Turn) -> bool:
        """Whether it is this one's turn."""
        return self._holder is turn

    def take(self, turn: Turn) -> None:
        """Come back when it is this one's turn."""
        with self._guard:
            if self._holder is None:
                self._begin(turn)
                return
            self._queue.append(turn)
        while not turn.called.acquire(timeout=self._patience):
            with self._guard:
                if turn.called.acquire(blocking=False):  # called meanwhile, whoever has the turn by now
                    return
                if self._holder is None or time.monotonic() - self._since >= self._patience:
                    if self._holder is not None:
                        self._holder.waited_in_vain()
                    self._queue.remove(turn)
                    self._begin(turn)
                    return

    def give(self, turn: Turn) -> None:
        """The next one's turn; nothing where another has taken it over."""
        with self._guard:
            if self._holder is not turn:
                return
            self._holder = None
            if self._queue:
                following = self._queue.popleft()
                self._begin(following)
                following.called.release()

    def _begin(self, turn: Turn) -> None:
        self._holder = turn
        self._since = time.monotonic()


class Turn:
    """The turns of one thread: in a `with`, never one within another."""

    def __init__(self, turns: Turns) -> None:
        self._turns = turns
        self._apart_until = 0.0
        self._in_a_row = 0
        self._began = self._worked = 0.0
        self._had_seconds = self._worked_seconds = 0.0
        self.called = threading.Lock()
        """Free at the moment when it is this one's turn."""
        self.called.acquire()

    def __enter__(self) -> None:
        self._begin()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    @contextlib.contextmanager
    def out(self) -> Iterator[None]:
        """Inside a turn, for what may take its time: the others go on meanwhile. Elsewhere it does nothing."""
        had = self._turns.has(self)
        if had:
            self._end()
        try:
            yield
        finally:
            if had:
                self._begin()

    def breathe(self) -> None:
        """Between two files: when this turn has lasted long, it is another's."""
        if self._turns.has(self) and time.monotonic() - self._began > _LONG_SECONDS:
            self._end()
            self._begin()

    def waited_in_vain(self) -> None:
        """Take no turn for a while, and wait for none: twice as long each time in a row, so that several slow devices
        together do not keep a quick one waiting."""
        self._apart_until = time.monotonic() + self._turns.apart_seconds * (1 << self._in_a_row)
        self._in_a_row = min(self._in_a_row + 1, _MOST_DOUBLINGS)

    def _begin(self) -> None:
        if time.monotonic() >= self._apart_until:
            self._turns.take(self)
            self._began, self._worked = time.monotonic(), time.thread_time()

    def _end(self) -> None:
        if self._turns.has(self):
            self._had_seconds += time.monotonic() - self._began
            self._worked_seconds += time.thread_time() - self._worked
            self._turns.give(self)
            self._judge()

    def _judge(self) -> None:
        if self._had_seconds < _JUDGED_SECONDS:
            return
        if self._worked_seconds < _WORKED_SHARE * self._had_seconds:
            self.waited_in_vain()
        else:
            self._in_a_row = 0
        self._had_seconds = self._worked_seconds = 0.0


TURNS = Turns()
"""One for the process, as there is one interpreter."""
