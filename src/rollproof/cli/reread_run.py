"""Runs a workflow that may read rolls again, under the screen of a verify."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Protocol, TypeVar

from rollproof.cli.console import Output
from rollproof.cli.interrupt import cancelling
from rollproof.cli.live import Progress
from rollproof.cli.moments import MomentWords
from rollproof.cli.picture_file import save_picture
from rollproof.cli.progress_model import ProgressModel
from rollproof.cli.session import Session
from rollproof.cli.verify_screen import VerifyScreen
from rollproof.models.errors import ExitStatus
from rollproof.models.requests import Cancel
from rollproof.models.results import FindingOut


class Shown(Protocol):
    """What every result of such a workflow has."""

    @property
    def findings(self) -> Sequence[FindingOut]:
        """Everything that was found."""
        ...

    @property
    def status(self) -> ExitStatus:
        """How the command ends."""
        ...

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        ...


Moved = TypeVar("Moved", bound=Shown)


def run_custody(
    session: Session,
    output: Output,
    request: object,
    workflow: Callable[..., Moved],
    lines_of: Callable[..., Iterable[Any]],
) -> int:
    """Call the workflow with a screen on its events and show its result; returns the exit status. Our own errors
    come through."""
    model = ProgressModel(session.clock, cards_total=0)
    screen = VerifyScreen(session.wall, fancy=output.fancy)
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
    lines = list(lines_of(result, quiet=output.manner.quiet, width=output.results.width, fancy=output.fancy))
    if not (output.manner.json and output.manner.quiet):
        output.show(lines)
    output.bell()
    save_picture(session.environ, output, lines)
    return int(result.status)
