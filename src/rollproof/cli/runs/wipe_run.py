"""Asks whether a card may be wiped, under a moving screen while it is read, and shows the answer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial

from rich.text import Text

from rollproof.cli.console import STRONG, Output, join
from rollproof.cli.pictures import Picture
from rollproof.cli.screen.lanes import LaneWords
from rollproof.cli.screen.lines import fitted
from rollproof.cli.screen.under_screen import run_under_screen
from rollproof.cli.session import Session
from rollproof.cli.views.wipe_summary import wipe_lines
from rollproof.models.requests import MayWipeRequest
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
    screen = WipeScreen(session.wall, fancy=output.fancy)
    lines_of = partial(wipe_lines, show_all=show_all, plain=output.results.plain)
    return run_under_screen(session, output, request, workflow, lines_of, screen=screen, several=False)
