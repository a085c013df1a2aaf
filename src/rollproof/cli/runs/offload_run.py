"""Runs the offload workflow under its screen and shows how it ended."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from rich.text import Text

from rollproof.cli.console import Output
from rollproof.cli.screen.offload_screen import OffloadScreen
from rollproof.cli.screen.under_screen import run_under_screen
from rollproof.cli.session import Session
from rollproof.cli.views.offload_summary import offload_lines
from rollproof.models.events import Event, RollPlanned
from rollproof.models.requests import OffloadRequest
from rollproof.models.results import OffloadResult


def run_offload(
    session: Session,
    output: Output,
    request: OffloadRequest,
    workflow: Callable[..., OffloadResult],
    *,
    everything: bool = False,
) -> int:
    """Call the workflow with a screen on its events; returns the exit status. Our own errors come through."""
    cards = len(request.cards)
    plans: list[RollPlanned] = []

    def listen(event: Event) -> None:
        if isinstance(event, RollPlanned):
            plans.append(event)

    def lines_of(result: OffloadResult, *, quiet: bool, width: int, fancy: bool) -> Iterable[Text]:
        return offload_lines(result, plans, cards=cards, everything=everything, quiet=quiet, width=width, fancy=fancy)

    return run_under_screen(
        session,
        output,
        request,
        workflow,
        lines_of,
        screen=OffloadScreen(session.wall, fancy=output.fancy),
        several=cards > 1,
        cards=cards,
        listen=listen,
    )
