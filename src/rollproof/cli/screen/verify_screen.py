"""The moving screen of a verify: the copy being read again, how far, how fast, and the copies read so far."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from rich.text import Text

from rollproof.cli.console import STRONG, join, safe
from rollproof.cli.pictures import Picture
from rollproof.cli.screen.lanes import LaneWords
from rollproof.cli.screen.lines import fitted


class VerifyScreen:
    """Draws pictures; see `OffloadScreen`."""

    def __init__(self, wall: Callable[[], datetime], *, fancy: bool = True) -> None:
        self._wall = wall
        self._lanes = LaneWords(fancy=fancy)

    def draw(self, picture: Picture, width: int) -> list[Text]:
        """The region that moves."""
        before = f"   {picture.cards_before} read before it" if picture.cards_before else ""
        head = join(join(" Reading again: roll ", safe(picture.roll), style=STRONG), before)
        return fitted([Text(), head, Text(), *self._lanes.lines(picture, width)], width)

    def line(self, picture: Picture) -> Text:
        """The same in one line, where there is no terminal."""
        return join(f"{self._wall():%H:%M:%S}  ", safe(picture.roll), "  ", "; ".join(self._lanes.phrases(picture)))
