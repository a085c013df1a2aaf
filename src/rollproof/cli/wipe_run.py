"""Asks whether a card may be wiped, under a moving screen while it is read, and shows the answer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from rich.text import Text

from rollproof.cli.console import STRONG, Output, join
from rollproof.cli.interrupt import cancelling
from rollproof.cli.lanes import LaneWords
from rollproof.cli.live import Progress
from rollproof.cli.moments import MomentWords
from rollproof.cli.offload_screen import fitted
from rollproof.cli.picture_file import save_picture
from rollproof.cli.pictures import Picture
from rollproof.cli.progress_model import ProgressModel
from rollproof.cli.session import Session
from rollproof.cli.wipe_summary import wipe_lines
from rollproof.models.requests import Cancel, MayWipeRequest
from rollproof.models.results import MayWipeResult


class WipeScreen:
    """Draws pictures; see `OffloadScreen`."""

    def __init__(self, wall: Callable[[], datetime], *, fancy: bool = True) -> None:
        self._wall = wall
        self._lanes = LaneWords(fancy=fancy)

    def draw(self, picture: Picture, width: int) -> list[Text]:
        """The region that moves."""
        head = join(" Reading, to be sure. Until the answer: KEEP the card.", style=STRONG)
        return fitted([Text(), head, Text(), *self._lanes.lines(picture, width)], width)

    def line(self, picture: Picture) -> Text:
        """The same in one line, where there is no terminal."""
        return join(f"{self._wall():%H:%M:%S}  ", "; ".join(self._lanes.phrases(picture)))


def run_may_wipe(
    session: Session,
    output: Output,
    request: MayWipeRequest,
    workflow: Callable[..., MayWipeResult],
    *,
    show_all: bool,
) -> int:
    """Call the workflow with a screen on its events; returns the exit status. Our own errors come through."""
    model = ProgressModel(session.clock, cards_total=0)
    screen = WipeScreen(session.wall, fancy=output.fancy)
    moments = MomentWords(session.wall, several=False, plain=not output.live)
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
        wipe_lines(
            result,
            show_all=show_all,
            quiet=output.manner.quiet,
            plain=output.results.plain,
            width=output.results.width,
            fancy=output.fancy,
        )
    )
    if not (output.manner.json and output.manner.quiet):
        output.show(lines)
    output.bell()
    save_picture(session.environ, output, lines)
    return int(result.status)
