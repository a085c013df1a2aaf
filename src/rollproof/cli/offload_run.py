"""Runs the offload workflow under its screen and shows how it ended."""

from __future__ import annotations

from collections.abc import Callable

from rollproof.cli.advice import hangs
from rollproof.cli.console import Output
from rollproof.cli.interrupt import cancelling
from rollproof.cli.live import Progress
from rollproof.cli.moments import MomentWords
from rollproof.cli.offload_screen import OffloadScreen
from rollproof.cli.offload_summary import offload_lines
from rollproof.cli.picture_file import save_picture
from rollproof.cli.progress_model import ProgressModel
from rollproof.cli.session import Session
from rollproof.models.events import Event, RollPlanned
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.results import OffloadResult


def run_offload(
    session: Session, output: Output, request: OffloadRequest, workflow: Callable[..., OffloadResult]
) -> int:
    """Call the workflow with a screen on its events; returns the exit status. Our own errors come through."""
    model = ProgressModel(session.clock, cards_total=len(request.cards))
    screen = OffloadScreen(session.wall, fancy=output.fancy)
    moments = MomentWords(session.wall, several=len(request.cards) > 1, plain=not output.live)
    progress = Progress(output, model, session.clock, draw=screen.draw, line=screen.line, say=moments)
    plans: list[RollPlanned] = []
    cancel = Cancel()

    def emit(event: Event) -> None:
        if isinstance(event, RollPlanned):
            plans.append(event)
        progress.emit(event)

    try:
        with cancelling(cancel, progress.stopping), progress:
            result = workflow(request, emit=emit, cancel=cancel)
    finally:
        session.drawing_trouble = progress.trouble
    session.hangs = hangs(result)
    if output.manner.json:
        output.answer(result.as_json())
    lines = list(
        offload_lines(
            result,
            plans,
            cards=len(request.cards),
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
