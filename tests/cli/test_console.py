"""The console: inert text, no codes where nobody draws, one JSON object, streams that go away."""

from __future__ import annotations

import errno
import json

import pytest
from rich.text import Text

from cli.hostile import NAMES, alive
from cli.running import Stream
from rollproof.cli.console import Manner, Output, folded, join, safe


def an_output(
    *, terminal: bool = False, environ: dict[str, str] | None = None, **manner: bool
) -> tuple[Output, Stream, Stream]:
    out, err = Stream(terminal=terminal), Stream(terminal=terminal)
    base = {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
    return Output(Manner(**manner), stdout=out, stderr=err, environ={**base, **(environ or {})}), out, err


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
@pytest.mark.parametrize("terminal", [True, False])
def test_safe_text_is_inert_and_one_line(name: str, terminal: bool) -> None:
    output, out, _ = an_output(terminal=terminal)
    output.show([safe(name, "bold")])
    assert alive(out.getvalue(), terminal=terminal) == []
    if not terminal:
        assert out.getvalue().count("\n") == 1


@pytest.mark.parametrize("terminal", [True, False])
def test_even_text_that_somebody_forgot_to_make_safe_cannot_act(terminal: bool) -> None:
    for name in NAMES:
        output, out, err = an_output(terminal=terminal)
        output.show([Text(f"a {name} b")])
        output.say(Text(name))
        assert alive(out.getvalue() + err.getvalue(), terminal=terminal) == []


def test_markup_and_emoji_codes_are_printed_as_they_are() -> None:
    output, out, _ = an_output()
    output.show([safe("[bold]x[/bold] [/nothing] :smiley: [link=file:///etc]")])
    assert out.getvalue() == "[bold]x[/bold] [/nothing] :smiley: [link=file:///etc]\n"


def test_an_endless_name_is_shortened_in_the_middle() -> None:
    text = safe("a" * 300 + "b" * 100_000 + "c" * 300).plain
    assert len(text) < 700
    assert text.startswith("aaa")
    assert text.endswith("ccc")


@pytest.mark.parametrize(
    ("terminal", "environ", "coloured"),
    [
        (True, {}, True),
        (True, {"NO_COLOR": "1"}, False),
        (True, {"TERM": "dumb"}, False),
        (False, {}, False),
        (False, {"FORCE_COLOR": "1"}, False),
        (False, {"TTY_COMPATIBLE": "1"}, False),
    ],
)
def test_colour_is_only_for_terminals_that_want_it(terminal: bool, environ: dict[str, str], coloured: bool) -> None:
    output, out, _ = an_output(terminal=terminal, environ=environ)
    output.show([Text("proven", "green")])
    assert ("\x1b[32m" in out.getvalue()) is coloured
    if not terminal or environ.get("TERM") == "dumb":
        assert out.getvalue() == "proven\n"


def test_only_a_terminal_that_can_move_its_cursor_gets_a_moving_screen() -> None:
    assert an_output(terminal=True)[0].live
    assert not an_output(terminal=True, quiet=True)[0].live
    assert not an_output(terminal=True, environ={"TERM": "dumb"})[0].live
    assert not an_output()[0].live


def test_with_json_everything_a_person_reads_goes_to_stderr() -> None:
    output, out, err = an_output(json=True)
    output.show([Text("PROVEN")])
    output.say(Text("half way"))
    output.answer({"verdict": "proven", "path": "é\x1b[2J\ud800\u202e"})
    assert err.getvalue() == "PROVEN\nhalf way\n"
    assert out.getvalue().isascii()
    assert json.loads(out.getvalue()) == {"verdict": "proven", "path": "é\x1b[2J\ud800\u202e"}


def test_the_bell_rings_only_at_a_terminal_and_not_when_silent() -> None:
    for terminal, silent, rings in ((True, False, 1), (True, True, 0), (False, False, 0)):
        output, _, err = an_output(terminal=terminal, silent=silent)
        output.bell()
        assert err.getvalue().count("\x07") == rings


def test_long_lines_fold_with_an_indent_on_a_terminal_and_stay_whole_for_scripts() -> None:
    line = join("    ", safe("word " * 40))
    output, out, _ = an_output()
    output.show([line])
    assert out.getvalue().count("\n") == 1
    pieces = folded(line, 60)
    assert all(piece.cell_len <= 60 for piece in pieces)
    assert [piece.plain[:6] for piece in pieces] == ["    wo", *["      "] * (len(pieces) - 1)]
    assert " ".join(piece.plain.strip() for piece in pieces) == line.plain.strip()


class _Broken(Stream):
    def __init__(self, error: OSError) -> None:
        super().__init__()
        self._error = error

    def write(self, _text: str, /) -> int:
        raise self._error


@pytest.mark.parametrize(("code", "lost"), [(errno.EPIPE, False), (errno.ENOSPC, True)])
def test_a_reader_that_went_away_is_no_trouble_and_a_full_disk_is_told(code: int, lost: bool) -> None:
    broken = OSError(code, "gone")  # becomes a BrokenPipeError for EPIPE
    output = Output(Manner(), stdout=_Broken(broken), stderr=Stream(), environ={})
    output.show([Text("PROVEN"), Text("more")])
    assert (output.lost is not None) is lost
    output = Output(Manner(json=True), stdout=_Broken(broken), stderr=Stream(), environ={})
    output.answer({})
    assert (output.lost is not None) is lost
