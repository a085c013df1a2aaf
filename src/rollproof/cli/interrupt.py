"""Ctrl-C and a request to end: asked once it stops the work in good order, asked again it says that it is stopping."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType

from rollproof.models.requests import Cancel

STOPPING = "Stopping. No footage was changed; every finished file stays. This takes a second or two."
STILL_STOPPING = (
    "Already stopping: nothing is being lost. A drive that does not answer can hold this up; "
    "if nothing moves for a minute, unplug that drive."
)
_ASKED_TO_END = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


@contextlib.contextmanager
def cancelling(cancel: Cancel, say: Callable[[str], None]) -> Iterator[None]:
    """While the block runs, SIGINT, SIGTERM and SIGHUP set `cancel` and call `say` with what to tell the person.

    `say` runs inside a signal handler: it must only leave a note. An ignored signal (`nohup`) stays ignored. Outside
    the main thread this does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        say(STILL_STOPPING if cancel.is_set() else STOPPING)
        cancel.set()

    before = {}
    for number in _ASKED_TO_END:
        if signal.getsignal(number) is not signal.SIG_IGN:
            before[number] = signal.signal(number, on_signal)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
