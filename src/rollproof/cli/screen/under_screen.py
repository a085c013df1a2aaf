"""Runs a workflow that may read for long under a moving screen, and shows how it ended."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Protocol, TypeVar

from rich.text import Text

from rollproof.cli.console import Output
from rollproof.cli.interrupt import cancelling
from rollproof.cli.picture_file import save_picture
from rollproof.cli.pictures import Picture
from rollproof.cli.screen.live import Progress
from rollproof.cli.screen.moments import MomentWords
from rollproof.cli.screen.progress_model import ProgressModel
from rollproof.cli.screen.verify_screen import VerifyScreen
from rollproof.cli.session import Session
from rollproof.models.errors import ExitStatus
from rollproof.models.events import Event
from rollproof.models.findings import Finding, Kind
from rollproof.models.requests import Cancel
from rollproof.station.context import Context


class Shown(Protocol):
    """What every result of such a workflow has."""

    @property
    def findings(self) -> Sequence[Finding]:
        """Everything that was found."""
        ...

    @property
    def status(self) -> ExitStatus:
        """How the command ends."""
        ...

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        ...


class Screen(Protocol):
    """Draws a picture of the work: a moving region for a terminal, one line for everything else."""

    def draw(self, picture: Picture, width: int) -> list[Text]:
        """The region that moves."""
        ...

    def line(self, picture: Picture) -> Text:
        """The same in one line."""
        ...


Result = TypeVar("Result", bound=Shown)
Emit = Callable[[Event], None]


def a_drive_hangs(result: Shown) -> bool:
    """Whether one stopped to answer, said of any part of the result: then the process must not wait for it either."""
    parts = (*getattr(result, "copies", ()), *getattr(result, "rolls", ()))
    parts += tuple(each for part in parts for each in getattr(part, "destinations", ()))
    found = (finding for part in (result, *parts) for finding in getattr(part, "findings", ()))
    return any(finding.kind is Kind.DRIVE_HANGS for finding in found)


def run_under_screen(
    session: Session,
    output: Output,
    request: object,
    workflow: Callable[..., Result],
    lines_of: Callable[..., Iterable[Text]],
    *,
    screen: Screen | None = None,
    several: bool = True,
    cards: int = 0,
    listen: Emit | None = None,
) -> int:
    """Call the workflow with a screen on its events and show its result; returns the exit status. Our own errors come
    through.

    `screen` is that of a verify unless another is given. `several` says that moments name the roll they belong to,
    `cards` how many there are to get through. `listen` is told every event before the screen is.
    """
    drawn = screen if screen is not None else VerifyScreen(session.wall, fancy=output.fancy)
    model = ProgressModel(session.clock, cards_total=cards)
    moments = MomentWords(session.wall, several=several, plain=not output.live)
    progress = Progress(output, model, session.clock, draw=drawn.draw, line=drawn.line, say=moments)
    cancel = Cancel()

    def emit(event: Event) -> None:
        if listen is not None:
            listen(event)
        progress.emit(event)

    try:
        with cancelling(cancel, progress.stopping), progress:
            result = workflow(request, Context.of(emit=emit, cancel=cancel))
    finally:
        session.drawing_trouble = progress.trouble
    session.hangs = a_drive_hangs(result)
    if output.manner.json:
        output.answer(result.as_json())
    lines = list(lines_of(result, quiet=output.manner.quiet, width=output.results.width, fancy=output.fancy))
    if not (output.manner.json and output.manner.quiet):
        output.show(lines)
    output.bell()
    save_picture(session.environ, output, lines)
    return int(result.status)
