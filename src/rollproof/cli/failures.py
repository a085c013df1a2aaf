"""Words and statuses for every way a command can end other than by its result."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence

import click

from rollproof.cli.crash import write_crash_file
from rollproof.cli.session import Job, Session
from rollproof.models.errors import CouldNotFinish, ExitStatus, Refused, RollproofError
from rollproof.models.findings import Finding
from rollproof.models.names import inert


def failed(session: Session, error: BaseException) -> int:
    """Say what happened, what is safe and what to do next; returns the exit status."""
    if isinstance(error, SystemExit):
        return error.code if isinstance(error.code, int) else int(ExitStatus.NOT_FINISHED)
    if isinstance(error, click.exceptions.Exit):
        return error.exit_code
    if isinstance(error, click.Abort | KeyboardInterrupt):
        message = f"Interrupted. {_what_is_safe(session)}"
        return _end(session, ExitStatus.INTERRUPTED, "interrupted", message, "run it again to go on")
    if isinstance(error, click.ClickException):
        return _usage(session, error)
    if isinstance(error, RollproofError):
        findings = error.findings if isinstance(error, Refused | CouldNotFinish) else ()
        return _end(session, error.status, error.id, error.message, error.hint, findings)
    return _crash(session, error)


def flawed(session: Session, status: int) -> int:
    """The job ended, but its result was lost on the way or its screen broke: say so; returns the exit status."""
    if session.drawing_trouble:
        where = _crash_file(session, session.drawing_trouble)
        note = f" Details: {where}" if where else ""
        _say(
            session,
            f"Note: the screen stopped moving because of a mistake in Rollproof; the work was not touched by it.{note}",
        )
    if session.output_lost is None:
        return status
    _say(session, f"Error: the result could not be written to where it was sent: {session.output_lost}")
    return status or int(ExitStatus.NOT_FINISHED)


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


def _end(
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


def _crash(session: Session, error: BaseException) -> int:
    where = _crash_file(session, "".join(traceback.format_exception(error)))
    return _end(
        session,
        ExitStatus.NOT_FINISHED,
        "mistake-in-rollproof",
        f"Rollproof made a mistake and stopped. {_what_is_safe(session)}",
        f"run the same command again; if it stops here again, send {where or 'what you did'}"
        " to whoever looks after this computer",
    )


def _crash_file(session: Session, trace: str) -> str | None:
    try:
        return write_crash_file(trace, session.arguments, session.environ)
    except Exception:  # noqa: BLE001 - the words on the screen matter more than the file
        return None
