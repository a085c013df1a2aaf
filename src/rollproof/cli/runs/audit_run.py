"""Runs the audit under its screen and shows how it ended."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from rollproof.cli.console import Output
from rollproof.cli.screen.audit_screen import AuditScreen
from rollproof.cli.screen.under_screen import run_under_screen
from rollproof.cli.session import Session
from rollproof.cli.views.audit_view import audit_lines
from rollproof.models.audit_results import AuditResult
from rollproof.models.requests import AuditRequest


def run_audit(
    session: Session,
    output: Output,
    request: AuditRequest,
    workflow: Callable[..., AuditResult],
    *,
    everything: bool = False,
) -> int:
    """Call the workflow with a screen on its events; returns the exit status. Our own errors come through."""
    screen = AuditScreen(session.wall, fancy=output.fancy)
    lines_of = partial(audit_lines, everything=everything)
    return run_under_screen(session, output, request, workflow, lines_of, screen=screen)
