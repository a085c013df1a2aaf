"""What moves while `may-wipe` reads."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from rich.text import Text

from rollproof.cli.console import STRONG, join
from rollproof.cli.pictures import Picture
from rollproof.cli.screen.lanes import LaneWords
from rollproof.cli.screen.lines import fitted


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
