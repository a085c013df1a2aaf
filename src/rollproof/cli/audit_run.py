"""Runs the audit under its screen and shows how it ended."""

from __future__ import annotations

from collections.abc import Callable

from rollproof.cli.audit_screen import AuditScreen
from rollproof.cli.audit_view import audit_lines
from rollproof.cli.console import Output
from rollproof.cli.interrupt import cancelling
from rollproof.cli.live import Progress
from rollproof.cli.moments import MomentWords
from rollproof.cli.picture_file import save_picture
from rollproof.cli.progress_model import ProgressModel
from rollproof.cli.session import Session
from rollproof.models.audit_results import AuditResult
from rollproof.models.requests import AuditRequest, Cancel


def run_audit(
    session: Session,
    output: Output,
    request: AuditRequest,
    workflow: Callable[..., AuditResult],
    *,
    everything: bool = False,
) -> int:
    """Call the workflow with a screen on its events; returns the exit status. Our own errors come through."""
    model = ProgressModel(session.clock, cards_total=0)
    screen = AuditScreen(session.wall, fancy=output.fancy)
    moments = MomentWords(session.wall, several=True, plain=not output.live)
    progress = Progress(output, model, session.clock, draw=screen.draw, line=screen.line, say=moments)
    cancel = Cancel()
    try:
        with cancelling(cancel, progress.stopping), progress:
            result = workflow(request, emit=progress.emit, cancel=cancel)
    finally:
        session.drawing_trouble = progress.trouble
    session.hangs = any(finding.kind == "drive-hangs" for finding in result.findings)
    if output.manner.json:
        output.answer(result.as_json())
    lines = list(
        audit_lines(
            result,
            everything=everything,
            quiet=output.manner.quiet,
            width=output.results.width,
            fancy=output.fancy,
        )
    )
    if not (output.manner.json and output.manner.quiet):
        output.show(lines)
    output.bell()
    save_picture(session.environ, output, lines)
    return int(result.status)
