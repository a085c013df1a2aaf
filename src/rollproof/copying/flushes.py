"""Flushing several files at once, where a file system has no flush for all of them that could be relied upon.

A device that is asked by several at once writes what it has in one go; asked by one after the other, it does so for
each file anew.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence

from rollproof.storage.io import Io


def flush_all(
    io: Io, handles: Sequence[int], at_once: int, came_back: Callable[[], None] = lambda: None
) -> list[BaseException | None]:
    """Flush every file once, up to `at_once` at a time, `came_back` after each. Returns what was raised for each, in
    their order; no flush is under way any more then, whatever happens."""
    raised: list[BaseException | None] = [None] * len(handles)
    waiting = deque(range(len(handles)))

    def work() -> None:
        while True:
            try:
                place = waiting.popleft()
            except IndexError:
                return
            try:
                io.flush(handles[place])
            except BaseException as error:  # noqa: BLE001 - told to whoever asked, in that thread
                raised[place] = error
            came_back()

    helpers: list[threading.Thread] = []
    try:
        for number in range(1, min(at_once, len(handles))):
            # a daemon: a device that hangs must not keep the process from ending
            helper = threading.Thread(target=work, name=f"flush-{number}", daemon=True)
            try:
                helper.start()
            except RuntimeError:
                break  # the system allows no more threads: those there are do the rest
            helpers.append(helper)
        work()
    finally:
        for helper in helpers:
            helper.join()
    return raised
