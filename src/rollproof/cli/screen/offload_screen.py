"""The moving screen of an offload: the roll, when the card is free, when all is proven, a line for card and drives.

Pure functions from a picture and a width to text. Nothing here is worth a colour without a word.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from rich.text import Text

from rollproof.cli.console import GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.pictures import Picture
from rollproof.cli.screen.lanes import LaneWords
from rollproof.cli.screen.lines import fitted
from rollproof.cli.screen.moments import first_to_last
from rollproof.cli.views import words


class OffloadScreen:
    """Draws pictures. `wall` gives the time of day, `fancy` allows letters beyond ASCII in bars."""

    def __init__(self, wall: Callable[[], datetime], *, fancy: bool = True) -> None:
        self._wall = wall
        self._lanes = LaneWords(fancy=fancy)

    def draw(self, picture: Picture, width: int) -> list[Text]:
        """The region that moves, line by line; at most `width` columns."""
        return fitted(
            [
                Text(),
                *self._head(picture),
                Text(),
                *self._promises(picture),
                Text(),
                *self._lanes.lines(picture, width),
            ],
            width,
        )

    def _head(self, picture: Picture) -> list[Text]:
        one = "roll" if picture.of_copy else "card"
        card = f"   {one} {picture.cards_before + 1} of {picture.cards_total}" if picture.cards_total > 1 else ""
        plan = picture.plan
        told = Text(f"   name taken from {plan.roll_from}", QUIET) if plan is not None and plan.roll_from else ""
        lines = [join(join(" Roll ", safe(picture.roll), style=STRONG), card, told)]
        if plan is None:
            return lines
        what = [words.counted(plan.clips, "clip"), words.counted(plan.files, "file"), words.size(plan.size_bytes)]
        lines.append(join(" " + ", ".join(what) + " on ", safe(plan.card)))
        clips = [each for each in (first_to_last(plan), safe(plan.layout, QUIET)) if each.plain]
        if clips:
            lines.append(join(" ", Text("   ").join(clips)))
        if plan.of_copy:
            lines.append(Text(" A copy of a recorded roll: every file is compared with its records."))
        known = max((drive.already_proven_files for drive in plan.drives), default=0)
        if known:
            lines.append(Text(f" Up to {words.counted(known, 'file')} proven by an earlier run: not copied again."))
        return lines

    def _promises(self, picture: Picture) -> list[Text]:
        if picture.of_copy:
            read = Text("done", GOOD) if picture.card_free else self._when(picture.card_free_seconds)
            card = join(" Source read         ", read)
        elif picture.read_again:
            card = join(" Card                ", Text("has to be read again", WARN), "; keep it at hand")
        elif picture.card_free:
            card = join(" Card                ", Text("may be pulled now", GOOD), "; do not format it yet")
        else:
            card = join(" Card may be pulled  ", self._when(picture.card_free_seconds))
        if picture.all_done:
            proven = Text(" All drives          done")
        else:
            what = "Everything proven " if picture.cards_total <= 1 else "This roll proven  "
            proven = join(f" {what}  ", self._when(picture.proven_seconds))
        return [card, proven]

    def _when(self, seconds: float | None) -> Text:
        if seconds is None:
            return Text("estimating", QUIET)
        at = self._wall() + timedelta(seconds=seconds)
        if at.second:
            at += timedelta(seconds=60 - at.second)
        return join(Text(f"{at:%H:%M}", STRONG), f"   in {words.about(seconds)}")

    def line(self, picture: Picture) -> Text:
        """The same in one line, where there is no terminal."""
        read = "source read" if picture.of_copy else "card free"
        ahead = [] if picture.card_free else [f"{read}: {words.about(picture.card_free_seconds)}"]
        if not picture.all_done:
            ahead.append(f"all proven: {words.about(picture.proven_seconds)}")
        parts = [*self._lanes.phrases(picture), *ahead]
        return join(f"{self._wall():%H:%M:%S}  ", safe(picture.roll), "  ", "; ".join(parts))
