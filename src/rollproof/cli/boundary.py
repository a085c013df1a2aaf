"""The edge of the program: every error becomes calm words and an exit status; nobody at a set sees a traceback."""

from __future__ import annotations

import os
import sys
import threading
import traceback
from collections.abc import Sequence

import click

from rollproof.cli.app import invoke
from rollproof.cli.session import Job, Session
from rollproof.models.errors import ExitStatus, Refused, RollproofError
from rollproof.models.findings import Finding
from rollproof.models.names import inert


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
        status = _run(arguments or ["--help"], session)
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else int(ExitStatus.NOT_FINISHED)
    except BaseException:  # noqa: BLE001 - the last line of defence is the point of this function
        return _crash(session, traceback.format_exc())
    if session.drawing_trouble:
        _drawing_trouble(session)
    return status if arguments else int(ExitStatus.USAGE)


def _run(arguments: Sequence[str], session: Session) -> int:
    try:
        status = invoke(arguments, session)
    except click.exceptions.Exit as ended:
        return ended.exit_code
    except (click.Abort, KeyboardInterrupt):
        return _failed(
            session,
            ExitStatus.INTERRUPTED,
            "interrupted",
            f"Interrupted. {_what_is_safe(session)}",
            "run it again to go on",
        )
    except click.ClickException as error:
        return _usage(session, error)
    except RollproofError as error:
        return _known(session, error)
    if session.output_lost is not None:
        reason = inert(str(session.output_lost))
        _say(session, f"Error: the result could not be written to where it was sent: {reason}")
        return status or int(ExitStatus.NOT_FINISHED)
    return status


def _say(session: Session, *lines: str) -> None:
    """Plain words on stderr, for when no command has set up its console. Each string stays one line."""
    stream = session.stderr or sys.stderr
    if stream is None:
        return
    try:
        stream.write("".join(inert(line) + "\n" for line in lines))
        stream.flush()
    except (OSError, ValueError):
        pass  # nobody is listening any more


def _usage(session: Session, error: click.ClickException) -> int:
    context = getattr(error, "ctx", None)
    lines = []
    if context is not None:
        lines += context.get_usage().splitlines()
    lines.append(f"Error: {error.format_message()}")
    if context is not None:
        lines.append(f"  Next: {context.command_path} --help")
        command = context.command
        if session.job is None and isinstance(command, Job):
            session.job = command
    _say(session, *lines)
    _failure_line(session)
    return int(ExitStatus.USAGE)


def _known(session: Session, error: RollproofError) -> int:
    findings = error.findings if isinstance(error, Refused) else ()
    return _failed(session, error.status, error.id, error.message, error.hint, findings)


def _failed(
    session: Session,
    status: ExitStatus,
    error_id: str,
    message: str,
    hint: str = "",
    findings: Sequence[Finding] = (),
) -> int:
    _say(
        session,
        f"Error: {message}",
        *(f"  {finding.severity.value}: {finding.detail}" for finding in findings),
        *([f"  Next: {hint}"] if hint else []),
    )
    if session.wants_json:
        answer = dict(session.job.empty_answer) if session.job else {}
        if status is ExitStatus.REFUSED and "verdict" in answer:
            answer["verdict"] = "refused"
        answer["findings"] = [finding.as_json() for finding in findings]
        answer["error"] = {"id": error_id, "message": message, "hint": hint}
        session.output.answer(answer)
    else:
        _failure_line(session)
    return int(status)


def _failure_line(session: Session) -> None:
    if session.job is not None and session.job.failure_line and not session.wants_json:
        stream = session.stdout or sys.stdout
        try:
            print(session.job.failure_line, file=stream, flush=True)
        except (OSError, ValueError):
            pass  # as above


def _what_is_safe(session: Session) -> str:
    return session.job.what_is_safe if session.job else "Nothing was changed."


def _crash(session: Session, trace: str) -> int:
    where = _crash_file(session, trace)
    try:
        return _failed(
            session,
            ExitStatus.NOT_FINISHED,
            "mistake-in-rollproof",
            f"Rollproof made a mistake and stopped. {_what_is_safe(session)}",
            "run the same command again; if it stops here again, send "
            + (where or "what you did")
            + " to whoever looks after this computer",
        )
    except BaseException:  # noqa: BLE001 - even the words failed: the status is all that is left
        return int(ExitStatus.NOT_FINISHED)


def _drawing_trouble(session: Session) -> None:
    where = _crash_file(session, session.drawing_trouble)
    note = f" Details: {where}" if where else ""
    _say(
        session,
        f"Note: the screen stopped moving because of a mistake in Rollproof; the work was not touched by it.{note}",
    )


def _crash_file(session: Session, trace: str) -> str | None:
    try:
        from rollproof.cli.crash import write_crash_file  # noqa: PLC0415 - only needed when things went wrong

        return write_crash_file(trace, session.arguments, session.environ)
    except BaseException:  # noqa: BLE001 - as above
        return None
