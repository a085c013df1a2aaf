"""Progress without a terminal, with one, and in silence; a screen that fails hurts nobody."""

from __future__ import annotations

import re

from rich.text import Text

from cli.replay import SCENARIOS, timeline
from cli.running import WALL, Stream, without_codes
from rollproof.cli.console import Manner, Output
from rollproof.cli.pictures import Moment, MomentKind, Picture
from rollproof.cli.screen.live import Progress, within
from rollproof.cli.screen.moments import MomentWords
from rollproof.cli.screen.offload_screen import OffloadScreen
from rollproof.cli.screen.progress_model import ProgressModel

TICK = 0.2


class Stage:
    """A progress whose ticks the test makes, on the clock of the events."""

    def __init__(self, scenario: str, *, terminal: bool = False, quiet: bool = False, silent: bool = False) -> None:
        self.now = 0.0
        self.rolls = SCENARIOS[scenario]
        self.err = Stream(terminal=terminal)
        environ = {"TERM": "xterm", "COLUMNS": "80", "LINES": "24"}
        self.output = Output(Manner(quiet=quiet, silent=silent), stdout=Stream(), stderr=self.err, environ=environ)
        self.model = ProgressModel(lambda: self.now, cards_total=len(self.rolls))
        screen = OffloadScreen(lambda: WALL)
        moments = MomentWords(lambda: WALL, several=len(self.rolls) > 1, plain=not terminal)
        self.progress = Progress(
            self.output, self.model, lambda: self.now, draw=screen.draw, line=screen.line, say=moments
        )

    def play(self, every: float = TICK) -> list[str]:
        """All events, with a tick every so many seconds; the lines that were printed."""
        tick = 0.0
        for at, event in timeline(self.rolls):
            while tick <= at:
                self.now = tick
                self.progress.tick()
                tick += every
            self.now = at
            self.progress.emit(event)
        self.progress.tick()
        return self.err.getvalue().splitlines()


def test_without_a_terminal_there_is_a_line_now_and_then_and_one_for_every_moment() -> None:
    lines = Stage("clean").play()
    assert lines[0] == (
        "14:20:00  Roll A003 (name taken from the names of the clips): 23 clips (A003C001_260514_R7QK to"
        " A003C023_260514_R7QK), 23 files, 64.0 GB on /media/A003 (CONTENTS/CLIPS), to primary, backup and shuttle"
    )
    assert "14:20:00  The card may be pulled. Pulled is not wiped: do not format it yet." in lines
    assert "14:20:00  The drive shuttle may be unplugged: roll A003 on it is proven." in lines
    between = [line for line in lines if "; " in line]
    # 236 s: one line per 10 s, a few more where a tenth went by faster
    assert 20 <= len(between) <= 34
    assert between[3] == (
        "14:20:00  A003  card first read 50 % at 800 MB/s; primary writing 50 % at 800 MB/s; "
        "backup writing 44 % at 701 MB/s; shuttle writing 31 % at 500 MB/s; "
        "card free: about 2 min; all proven: about 4 min"
    )


def test_without_a_terminal_there_is_not_one_control_code() -> None:
    stage = Stage("trouble")
    stage.play()
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f]", stage.err.getvalue())


def test_of_several_cards_every_moment_names_its_roll() -> None:
    lines = Stage("two").play()
    assert any("The card of roll A003 may be pulled." in line for line in lines)
    assert any("The drive backup has roll A003 (proven). More cards follow: leave it plugged in." in x for x in lines)
    assert any("The drive backup may be unplugged: roll B002 on it is proven." in line for line in lines)


def test_a_lost_drive_is_said_at_once_with_its_reason() -> None:
    lines = Stage("trouble").play()
    [lost] = [number for number, line in enumerate(lines) if "FAILED: the drive shuttle" in line]
    assert "ERROR shuttle: the drive does not answer any more" in lines[lost - 1]
    assert any("may be pulled" in line for line in lines[lost:])


def test_quiet_says_nothing_while_working_but_answers_ctrl_c() -> None:
    stage = Stage("trouble", quiet=True)
    assert stage.play() == []
    stage.progress.stopping("Stopping.")
    stage.progress.tick()
    assert stage.err.getvalue() == "Stopping.\n"


def test_on_a_terminal_moments_stay_above_a_region_that_moves() -> None:
    stage = Stage("clean", terminal=True)
    with stage.progress:
        stage.play(every=5.0)
        stage.now = 200.0
    text = stage.err.getvalue()
    assert "\x1b[" in text
    assert "The card may be pulled." in without_codes(text)
    assert "read-back" in without_codes(text)
    assert text.rstrip().endswith("\x1b[?25h") or "\x1b[?25h" in text  # the cursor is back


def test_on_a_low_terminal_the_lanes_stay_and_the_head_goes() -> None:
    lines = [Text(word) for word in ("", "roll", "", "promise", "", "card", "primary")]
    assert within(lines, 7) == lines
    assert [line.plain for line in within(lines, 6)] == ["roll", "promise", "card", "primary"]
    assert [line.plain for line in within(lines, 2)] == ["card", "primary"]
    assert within(lines, 0) == []


def test_a_failure_rings_once_and_only_at_a_terminal() -> None:
    for terminal, silent, rings in ((True, False, 1), (True, True, 0), (False, False, 0)):
        stage = Stage("trouble", terminal=terminal, silent=silent)
        with stage.progress:
            stage.play(every=20.0)
        assert stage.err.getvalue().count("\x07") == rings


def test_a_mistake_in_drawing_is_kept_and_does_not_reach_the_work() -> None:
    stage = Stage("clean")

    def broken(_picture: Picture) -> Text:
        raise ZeroDivisionError

    progress = Progress(
        stage.output, stage.model, lambda: stage.now, draw=OffloadScreen(lambda: WALL).draw, line=broken,
        say=lambda _moment: None,
    )  # fmt: skip
    with progress:
        for at, event in timeline(stage.rolls):
            stage.now = at
            progress.emit(event)
        stage.now += 100.0
        stage.model._rolls["A003"].done.clear()
    assert "ZeroDivisionError" in progress.trouble


def test_of_a_card_that_has_to_be_read_again_nobody_says_that_it_may_be_pulled() -> None:
    say = MomentWords(lambda: WALL, several=False, plain=True)
    told = say(Moment(MomentKind.CARD_FREE, "A003", read_again=True))
    assert told is not None
    assert told[0].plain.endswith(
        "The card has to be read again before it is wiped: keep it at hand. The last lines say how."
    )
