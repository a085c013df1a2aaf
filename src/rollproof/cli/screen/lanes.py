"""One line for the card and for each drive: what it does, how far, how fast, what is left. For every moving screen."""

from __future__ import annotations

from rich.cells import cell_len
from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.pictures import Lane, LaneState, Picture
from rollproof.cli.screen.lines import bar, left, right, tail_cut
from rollproof.cli.views import words
from rollproof.models.events import Leg, StillNeeded

_ACTIVITY = {
    Leg.READ_CARD: "first read",
    Leg.READ_CARD_AGAIN: "second read",
    Leg.WRITE: "writing",
    Leg.CATCH_UP: "catching up",
    Leg.READ_BACK: "read-back",
    Leg.RECORD: "recording",
}
_BETWEEN = {
    Leg.READ_CARD: "read once",
    Leg.READ_CARD_AGAIN: "read twice",
    Leg.WRITE: "written",
    Leg.CATCH_UP: "written",
    Leg.READ_BACK: "read back",
    Leg.RECORD: "recorded",
}
_LABEL_WIDTH, _ACTIVITY_WIDTH, _PERCENT_WIDTH, _LEFT_WIDTH, _SPEED_WIDTH, _TIME_WIDTH = 12, 11, 5, 9, 8, 13
_FULL_COLUMNS = 76
"""Label, activity, bar, per cent, left, speed and time fit from here on."""
_CLIP_COLUMNS = 112
"""From here on each line has room for its own clip."""
_SMALL_COLUMNS = 52
_LEAVE_IT: dict[StillNeeded | None, str] = {
    StillNeeded.SLOWER_DRIVE: "a drive needs it",
    StillNeeded.OTHER_DESTINATION: "not all on it is done",
    StillNeeded.OTHER_RUN: "another run needs it",
    StillNeeded.NOT_KNOWN: "another run may need it",
}


class LaneWords:
    """Draws lanes at any width; `fancy` allows letters beyond ASCII in bars."""

    def __init__(self, *, fancy: bool = True) -> None:
        self._fancy = fancy

    def lines(self, picture: Picture, width: int) -> list[Text]:
        """Titles where there is room, a line per lane, and the file being worked on."""
        out = [self._titles(width)] if width >= _FULL_COLUMNS else []
        out += [self._lane(lane, picture, width) for lane in picture.lanes]
        if width < _CLIP_COLUMNS:
            out += [Text(), self._clips(picture, width)]
        return out

    def phrases(self, picture: Picture) -> list[str]:
        """Each lane in a few words, for one line without a terminal."""
        out = []
        for lane in picture.lanes:
            name = safe(lane.drive or _source(picture)).plain
            said = self._said(lane, picture)
            if said is not None:
                out.append(f"{name} {said.plain[: _ACTIVITY_WIDTH + 1].strip()}")
            elif lane.leg is not None:
                stalled = f", still for {int(lane.quiet_seconds)} s" if lane.state is LaneState.STALLED else ""
                speed = f" at {words.speed(lane.rate)}" if lane.rate and not stalled else ""
                out.append(f"{name} {_ACTIVITY[lane.leg]} {words.percent(lane.fraction)}{speed}{stalled}")
        return out

    def _titles(self, width: int) -> Text:
        bar_width = _bar_width(width)
        line = Text(" ").join(
            [
                Text(" " * (_LABEL_WIDTH + 1)),
                Text(" " * _ACTIVITY_WIDTH),
                left("", bar_width),
                right("done", _PERCENT_WIDTH),
                right("left", _LEFT_WIDTH),
                right("speed", _SPEED_WIDTH),
                right("to go", _TIME_WIDTH),
            ]
        )
        if width >= _CLIP_COLUMNS:
            line.append("   clip")
        line.stylize(QUIET)
        return line

    def _lane(self, lane: Lane, picture: Picture, width: int) -> Text:
        label = join(" ", left(lane.drive or _source(picture), _LABEL_WIDTH, STRONG, keep_end=True))
        said = self._said(lane, picture)
        if said is not None:
            return Text(" ").join([label, said])
        assert lane.leg is not None
        flushing = lane.leg in (Leg.WRITE, Leg.CATCH_UP) and not lane.left_bytes
        activity = left("flushing" if flushing else _ACTIVITY[lane.leg], _ACTIVITY_WIDTH)
        speed = right(words.speed(lane.rate), _SPEED_WIDTH)
        to_go = right("" if flushing else words.about(lane.seconds_left).removeprefix("about "), _TIME_WIDTH)
        if lane.state is LaneState.STALLED:
            to_go = right(f"still {int(lane.quiet_seconds)} s", _TIME_WIDTH, WARN)
        done = right(words.percent(lane.fraction), _PERCENT_WIDTH)
        if width < _SMALL_COLUMNS:
            return Text(" ").join([label, activity, done, to_go])
        how_much = right(words.size(lane.left_bytes), _LEFT_WIDTH)
        if width < _FULL_COLUMNS:
            return Text(" ").join([label, activity, done, how_much, to_go])
        style = WARN if lane.state is LaneState.STALLED else GOOD
        drawn = Text(bar(lane.fraction, _bar_width(width), fancy=self._fancy), style)
        parts = [label, activity, drawn, done, how_much, speed, to_go]
        if width >= _CLIP_COLUMNS:
            used = sum(part.cell_len for part in parts) + len(parts)
            parts.append(Text("  " + _clip_name(lane.path, width - used - 3)))
        return Text(" ").join(parts)

    def _said(self, lane: Lane, picture: Picture) -> Text | None:
        """The lane in words, when nothing on it moves."""
        if lane.state is LaneState.FAILED:
            if not lane.drive:
                return join(Text("errors", BAD), "      not everything on it could be read")
            return join(Text("FAILED", BAD), "      the other drives go on")
        if lane.done and lane.needed in _LEAVE_IT:
            return join(
                Text(f"{lane.done:<11}", GOOD if lane.done == "proven" else WARN),
                f" leave it plugged in: {_LEAVE_IT[lane.needed]}",
            )
        if lane.done == "proven":
            return join(Text("proven", GOOD), "      " + _after(picture, lane.needed))
        if lane.done:
            return join(Text(f"{lane.done:<11}", WARN), " not proven")
        if not lane.drive and picture.read_again and not picture.of_copy:
            return join(Text("all read", WARN), "    has to be read again")
        if not lane.drive and picture.card_free:
            return join(Text("free", GOOD), "        all read" if picture.of_copy else "        may be pulled")
        if lane.leg is None:
            return Text("waiting", QUIET)
        if lane.state is LaneState.WAITING:
            return join(Text("behind", WARN), "      gets the rest from another drive later")
        if lane.state is LaneState.STOPPED:
            return join(Text("stopped", WARN), "     not finished")
        if lane.state is LaneState.ENDED:
            # a verify has no plan, and nobody waits for anybody
            return Text(f"{_BETWEEN[lane.leg]:<11} {'waiting for the others' if picture.plan else ''}".rstrip())
        if lane.leg is Leg.RECORD:
            return Text("recording   writing the records beside the copy")
        return None

    def _clips(self, picture: Picture, width: int) -> Text:
        """The file being worked on; where the drives are at different files, who is at which."""
        at: dict[str, list[str]] = {}
        for lane in picture.lanes:
            if lane.drive and lane.path:
                at.setdefault(lane.path, []).append(safe(lane.drive).plain)
        if not at:
            at = {lane.path: [] for lane in picture.lanes if lane.path}
        room = (width - 6) // max(len(at), 1)
        parts = []
        for path, drives in at.items():
            whose = f" ({', '.join(drives)})" if len(at) > 1 and drives else ""
            parts.append(_clip_name(path, max(room - cell_len(whose) - 2, 8)) + whose)
        return join(Text(" clip ", QUIET), "  ".join(parts)) if parts else Text()


def _clip_name(path: str, width: int) -> str:
    """The whole path where there is room, else the name alone: its beginning is what tells clips apart."""
    whole = safe(path).plain
    if cell_len(whole) <= width:
        return whole
    return tail_cut(whole.rpartition("/")[2], width)


def _bar_width(width: int) -> int:
    fixed = _LABEL_WIDTH + _ACTIVITY_WIDTH + _PERCENT_WIDTH + _LEFT_WIDTH + _SPEED_WIDTH + _TIME_WIDTH + 8
    if width >= _CLIP_COLUMNS:
        return 16
    return max(min(width - fixed - 1, 24), 6)


def _source(picture: Picture) -> str:
    return "source" if picture.of_copy else "card"


def _after(picture: Picture, needed: StillNeeded | None) -> str:
    """What is to become of a drive when it is done."""
    if needed is None:
        return "may be unplugged"
    return "leave it plugged in" if picture.of_copy or needed is StillNeeded.HISTORIES else "more cards follow"
