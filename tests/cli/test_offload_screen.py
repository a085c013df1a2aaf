"""The moving screen as text, from event streams, at the widths people have."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from rich.cells import cell_len
from rich.console import Console, Group

from cli.hostile import NAMES, alive
from cli.replay import SCENARIOS, Roll, timeline
from cli.running import WALL
from rollproof.cli.pictures import Picture
from rollproof.cli.screen.offload_screen import OffloadScreen
from rollproof.cli.screen.progress_model import ProgressModel
from rollproof.models.events import DrivePlan, Leg, LegStarted, Moved, RollPlanned


def picture_at(second: float, rolls: list[Roll]) -> Picture:
    """The picture after all events up to a second."""
    now = 0.0
    model = ProgressModel(lambda: now, cards_total=len(rolls))
    for at, event in timeline(rolls):
        if at > second:
            break
        now = at
        model.apply(event)
    now = second
    picture = model.picture()
    assert picture is not None
    return picture


def drawn(picture: Picture, width: int, *, colour: bool = False, fancy: bool = True) -> str:
    """The region as it is printed."""
    file = io.StringIO()
    console = Console(
        file=file, width=width, force_terminal=colour, color_system="truecolor" if colour else None, _environ={}
    )
    console.print(Group(*OffloadScreen(lambda: WALL, fancy=fancy).draw(picture, width)))
    return file.getvalue()


def test_at_80_columns_the_screen_says_what_when_and_how_far() -> None:
    assert drawn(picture_at(40.0, SCENARIOS["clean"]), 80).splitlines() == [
        "",
        " Roll A003   name taken from the names of the clips",
        " 23 clips, 23 files, 64.0 GB on /media/A003",
        " A003C001_260514_R7QK to A003C023_260514_R7QK   CONTENTS/CLIPS",
        "",
        " Card may be pulled  14:22   in about 2 min",
        " Everything proven   14:24   in about 4 min",
        "",
        "                                         done      left    speed         to go",
        " card         first read  ██████·······  50 %   32.0 GB 800 MB/s          40 s",
        " primary      writing     ██████·······  50 %   32.0 GB 800 MB/s          40 s",
        " backup       writing     █████········  43 %   36.1 GB 701 MB/s          55 s",
        " shuttle      writing     ████·········  31 %   44.0 GB 500 MB/s         2 min",
        "",
        " clip A003C012_26… (primary)  A003C011_260… (backup)  A003C008_26… (shuttle)",
    ]


def test_at_120_columns_every_line_has_its_own_clip() -> None:
    lines = drawn(picture_at(40.0, SCENARIOS["clean"]), 120).splitlines()
    [shuttle] = [line for line in lines if line.startswith(" shuttle")]
    assert shuttle.endswith("A003C008_260514_R7QK.mov")
    assert not any(line.startswith(" clip") for line in lines)


def test_read_back_and_the_second_read_of_the_card_stand_side_by_side() -> None:
    text = drawn(picture_at(100.0, SCENARIOS["clean"]), 80)
    assert re.search(r"^ card +second read ", text, re.MULTILINE)
    assert re.search(r"^ primary +read-back ", text, re.MULTILINE)
    assert re.search(r"^ shuttle +writing ", text, re.MULTILINE)


def test_once_the_card_is_free_the_screen_keeps_saying_so() -> None:
    text = drawn(picture_at(170.0, SCENARIOS["clean"]), 80)
    assert " Card                may be pulled now; do not format it yet" in text
    assert re.search(r"^ card +free +may be pulled$", text, re.MULTILINE)
    assert re.search(r"^ primary +proven +may be unplugged$", text, re.MULTILINE)


def test_a_card_that_has_to_be_read_again_is_not_called_free() -> None:
    text = drawn(replace(picture_at(170.0, SCENARIOS["clean"]), read_again=True), 80)
    assert " Card                has to be read again; keep it at hand" in text
    assert re.search(r"^ card +all read +has to be read again$", text, re.MULTILINE)
    assert "may be pulled" not in text


def test_before_any_speed_it_says_estimating() -> None:
    text = drawn(picture_at(0.0, SCENARIOS["clean"]), 80)
    assert " Card may be pulled  estimating" in text
    assert " Everything proven   estimating" in text


def test_of_several_cards_it_says_which_and_keeps_the_drives_plugged_in() -> None:
    text = drawn(picture_at(57.0, SCENARIOS["two"]), 80)
    assert " Roll A003   card 1 of 2" in text
    assert re.search(r"^ primary +proven +more cards follow$", text, re.MULTILINE)


def test_a_drive_that_fell_behind_waits_in_words_and_then_shows_how_it_catches_up() -> None:
    waiting = drawn(picture_at(60.0, SCENARIOS["behind"]), 80)
    assert " shuttle      behind      gets the rest from another drive later\n" in waiting
    assert "still" not in waiting, "it waits for others; it does not stand still"
    catching = drawn(picture_at(300.0, SCENARIOS["behind"]), 80)
    assert " shuttle      catching up ████·········  36 %   38.8 GB 100 MB/s         7 min" in catching


@pytest.mark.parametrize("width", [80, 120])
def test_a_drive_that_a_slower_one_needs_is_not_said_to_be_free_before_that_one_has_everything(width: int) -> None:
    needed = drawn(picture_at(300.0, SCENARIOS["behind"]), width)
    assert needed.count("proven      leave it plugged in: a drive needs it") == 2
    assert "unplugged" not in needed
    assert drawn(picture_at(700.0, SCENARIOS["behind"]), width).count("proven      may be unplugged") == 2


def test_a_lost_drive_is_a_word_and_not_only_a_colour() -> None:
    text = drawn(picture_at(80.0, SCENARIOS["trouble"]), 80)
    assert re.search(r"^ shuttle +FAILED +the other drives go on$", text, re.MULTILINE)


@pytest.mark.parametrize("scenario", ["clean", "trouble", "two"])
@pytest.mark.parametrize("width", [1, 12, 30, 51, 52, 75, 76, 80, 100, 111, 112, 120, 200])
def test_no_width_breaks_a_line(scenario: str, width: int) -> None:
    for second in (0.0, 3.0, 40.0, 100.0, 170.0, 230.0, 300.0):
        for line in drawn(picture_at(second, SCENARIOS[scenario]), width).splitlines():
            assert cell_len(line) <= width


def test_numbers_stand_under_numbers() -> None:
    lines = drawn(picture_at(40.0, SCENARIOS["clean"]), 80).splitlines()
    rows = [line for line in lines if " MB/s" in line]
    assert len(rows) == 4
    assert len({line.index("MB/s") for line in rows}) == 1
    assert len({line.index(" %") for line in rows}) == 1


def test_with_colour_the_words_are_the_same() -> None:
    picture = picture_at(80.0, SCENARIOS["trouble"])
    coloured = drawn(picture, 80, colour=True)
    assert "\x1b[" in coloured
    assert re.sub("\x1b\\[[0-9;]*m", "", coloured) == drawn(picture, 80)


def test_without_letters_beyond_ascii_bars_are_drawn_with_what_there_is() -> None:
    text = drawn(picture_at(40.0, SCENARIOS["clean"]), 80, fancy=False)
    assert "######......." in text
    assert not re.search("[█·]", text)


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
@pytest.mark.parametrize("width", [40, 80, 120])
def test_no_name_can_act_on_the_terminal_or_break_the_lines(name: str, width: int) -> None:
    model = ProgressModel(lambda: 10.0)
    drive = DrivePlan(name, name, name, 1, 10, 1, 10, 1)
    model.apply(RollPlanned(name, name, 1, 1, 10, 2, (drive,)))
    for leg, of_drive in ((Leg.READ_CARD, ""), (Leg.WRITE, name)):
        model.apply(LegStarted(name, leg, of_drive, 1, 10))
        model.apply(Moved(name, leg, of_drive, 5, 0, name))
    picture = model.picture()
    assert picture is not None
    text = drawn(picture, width)
    assert alive(text, terminal=False) == []
    assert all(cell_len(line) <= width for line in text.splitlines())
    line = OffloadScreen(lambda: WALL).line(picture).plain
    assert alive(line, terminal=False) == []
    assert "\n" not in line
