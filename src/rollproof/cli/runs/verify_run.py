"""Runs the verify workflow under its screen and shows how it ended."""

from __future__ import annotations

from collections.abc import Callable

from rollproof.cli.console import Output
from rollproof.cli.screen.under_screen import a_drive_hangs, run_under_screen
from rollproof.cli.session import Session
from rollproof.cli.views.verify_summary import verify_lines
from rollproof.models.requests import VerifyRequest
from rollproof.models.results import VerifyResult


def run_verify(session: Session, output: Output, request: VerifyRequest, workflow: Callable[..., VerifyResult]) -> int:
    """Call the workflow with a screen on its events; returns the exit status. Our own errors come through."""
    return run_under_screen(session, output, request, workflow, verify_lines, hangs=_hangs)


def _hangs(result: VerifyResult) -> bool:
    found = (finding for copy in result.copies for finding in copy.findings)
    return a_drive_hangs(result) or any(finding.kind == "drive-hangs" for finding in found)
