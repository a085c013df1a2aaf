"""Runs `verify --against`: one folder, one checksum file."""

from __future__ import annotations

from collections.abc import Callable

from rollproof.cli.console import Output
from rollproof.cli.screen.under_screen import run_under_screen
from rollproof.cli.session import Session
from rollproof.cli.views.delivery_view import against_lines
from rollproof.models.delivery_results import AgainstResult
from rollproof.models.requests import AgainstRequest


def _workflow() -> Callable[..., AgainstResult]:
    from rollproof.workflows.verify.against import verify_against  # noqa: PLC0415 - loaded when it is called

    return verify_against


def run_against(session: Session, output: Output, path: bytes, against: bytes, *, strict: bool) -> int:
    """Compare and show; returns the exit status."""
    request = AgainstRequest(path, against, strict)
    return run_under_screen(session, output, request, session.workflow("verify_against", _workflow), against_lines)
