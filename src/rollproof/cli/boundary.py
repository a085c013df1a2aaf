"""The edge of the program: whatever happens becomes an exit status; nobody at a set sees a traceback.

The words for what went wrong are in `failures`, which is loaded only then: this module is part of every start.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Sequence

from rollproof.cli.app import invoke
from rollproof.cli.session import Session

_NOT_FINISHED, _USAGE = 4, 2
"""As `models.errors.ExitStatus` has them; a test holds them together."""


def run_and_end() -> None:
    """Run this process's command line and end the process, even while a drive holds one of its threads."""
    session = Session()
    status = run(sys.argv[1:], session)
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None:
                stream.flush()
        except (OSError, ValueError):
            pass  # the reader is gone; the status still tells
    if session.hangs or _held_up():
        # a thread that waits on a dead device never comes back: leave without it
        os._exit(status)
    sys.exit(status)


def _held_up() -> bool:
    return any(
        thread is not threading.main_thread() and not thread.daemon and thread.is_alive()
        for thread in threading.enumerate()
    )


def run(arguments: Sequence[str], session: Session) -> int:
    """Run one command line; returns the exit status. Raises nothing."""
    session.arguments = tuple(arguments)
    try:
        status = invoke(arguments or ["--help"], session)
    except BaseException as error:  # noqa: BLE001 - the last line of defence is the point of this function
        return _failed(session, error)
    if session.output_lost is not None or session.drawing_trouble:
        status = _flawed(session, status)
    return status if arguments else _USAGE


def _failed(session: Session, error: BaseException) -> int:
    try:
        from rollproof.cli.failures import failed  # noqa: PLC0415 - only needed when things went wrong

        return failed(session, error)
    except BaseException:  # noqa: BLE001 - even the words failed: the status is all that is left
        return _NOT_FINISHED


def _flawed(session: Session, status: int) -> int:
    try:
        from rollproof.cli.failures import flawed  # noqa: PLC0415 - as above

        return flawed(session, status)
    except BaseException:  # noqa: BLE001 - as above
        return status or _NOT_FINISHED
