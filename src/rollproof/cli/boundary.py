"""The edge of the program: whatever happens becomes an exit status; nobody at a set sees a traceback.

The words for what went wrong are in `failures`, which is loaded only then: this module is part of every start.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from types import FrameType

from rollproof.cli.app import invoke
from rollproof.cli.session import Session

_NOT_FINISHED, _USAGE, _INTERRUPTED = 4, 2, 130
"""As `models.errors.ExitStatus` has them; a test holds them together."""


def run_and_end() -> None:
    """Run this process's command line and end the process, even while a drive holds one of its threads."""
    take_the_first_three()
    session = Session()
    _at_ctrl_c(_interrupted)
    status = run(sys.argv[1:], session)
    # all is said: from here on Ctrl-C hurries the end and changes nothing
    _at_ctrl_c(lambda _number, _frame: os._exit(status))
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


def take_the_first_three() -> None:
    """Put something harmless in the place of standard streams that were closed when the process began.

    The next file opened would get such a number, and whatever wrote to "standard error" would write into it: into
    footage, if it were a copy.
    """
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:  # its number was not the lowest free one after all
                os.dup2(opened, number)
                os.close(opened)


def _at_ctrl_c(handler: Callable[[int, FrameType | None], object]) -> None:
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:  # whoever started this in the background wants it ignored
        signal.signal(signal.SIGINT, handler)


def _interrupted(_number: int, _frame: FrameType | None) -> None:
    """Ctrl-C where no work is under way: said in order the first time, the end at once the second time."""
    _at_ctrl_c(lambda _number, _frame: os._exit(_INTERRUPTED))
    raise KeyboardInterrupt


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
