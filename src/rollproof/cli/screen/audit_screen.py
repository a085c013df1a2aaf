"""The moving screen of an audit: the drives being looked at, or being read again, a line for each."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from rich.text import Text

from rollproof.cli.console import QUIET, STRONG, join, safe
from rollproof.cli.pictures import LaneState, Picture
from rollproof.cli.screen.lanes import LaneWords
from rollproof.cli.screen.lines import bar, fitted, left, right
from rollproof.cli.views import words

_LOOKING = "looking"
"""As `workflows.audit_drives.LOOKING` has it; a test holds them together."""
_NAME_WIDTH, _BAR_WIDTH = 24, 24


class AuditScreen:
    """Draws pictures; see `OffloadScreen`."""

    def __init__(self, wall: Callable[[], datetime], *, fancy: bool = True) -> None:
        self._wall = wall
        self._fancy = fancy
        self._lanes = LaneWords(fancy=fancy)

    def draw(self, picture: Picture, width: int) -> list[Text]:
        """The region that moves."""
        if picture.roll != _LOOKING:
            head = Text(" Reading every copy again", STRONG)
            return fitted([Text(), head, Text(), *self._lanes.lines(picture, width)], width)
        lines = [Text(), Text(" Looking at records and listings", STRONG), Text()]
        for lane in picture.lanes:
            state = "looked at" if lane.state is LaneState.ENDED else words.percent(lane.fraction)
            drawn = Text(bar(lane.fraction, _BAR_WIDTH, fancy=self._fancy))
            lines.append(join(" ", left(lane.drive, _NAME_WIDTH, keep_end=True), " ", drawn, " ", right(state, 10)))
        return fitted(lines, width)

    def line(self, picture: Picture) -> Text:
        """The same in one line, where there is no terminal."""
        if picture.roll != _LOOKING:
            said = "; ".join(self._lanes.phrases(picture))
        else:
            said = "; ".join(f"{safe(lane.drive).plain} {words.percent(lane.fraction)}" for lane in picture.lanes)
        return join(Text(f"{self._wall():%H:%M:%S}  ", QUIET), safe(picture.roll), "  ", said)
