"""The one place that talks to the console: two streams, colour or none, JSON purity, inert text.

Results go to stdout; progress and messages to stderr. With `--json` stdout holds exactly one JSON object, and what a
person would read goes to stderr as well. Text from cards, drives and records reaches the screen only as `safe` text; a
last filter in the console itself catches what somebody forgot.
"""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import IO, Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from rollproof.models.names import inert, to_text

GOOD = "green"
BAD = "bold red"
WARN = "yellow"
QUIET = "dim"
STRONG = "bold"

_LONGEST_SHOWN = 600  # a hostile name or message must not push everything else off the screen
_PLAIN_WIDTH = 100


def safe(text: str | bytes, style: str = "") -> Text:
    """Text that may be printed wherever it came from: no control codes, no markup, one line, not endless."""
    shown = inert(text if isinstance(text, str) else to_text(text))
    if len(shown) > _LONGEST_SHOWN:
        shown = shown[: _LONGEST_SHOWN // 2] + " … " + shown[-_LONGEST_SHOWN // 2 :]
    return Text(shown, style=style)


def command_text(command: str) -> Text:
    """A command to be pasted: whole, on a line of its own that the terminal may break and we never do."""
    return Text(inert(command), no_wrap=True)


def join(*parts: str | Text, style: str = "") -> Text:
    """One line from our own words (`str`) and safe text."""
    return Text.assemble(*parts, style=style)


def folded(line: Text, width: int) -> list[Text]:
    """The line in pieces of at most `width` cells, the later ones indented a little deeper than the first."""
    if line.cell_len <= width:
        return [line]
    indent = min(len(line.plain) - len(line.plain.lstrip(" ")), width // 2)
    console = Console(file=io.StringIO(), width=width, _environ={})
    pieces = line[indent:].wrap(console, max(width - indent - 2, 1))
    for piece in pieces:
        piece.rstrip()
    return [join(" " * (indent + (2 if number else 0)), piece) for number, piece in enumerate(pieces)]


class _Stream(Console):
    """A rich console that neither interprets text nor ends the process when its reader goes away."""

    def __init__(self, file: IO[str], environ: Mapping[str, str], *, record: bool = False) -> None:
        terminal = _is_terminal(file)
        self.plain = not terminal or environ.get("TERM", "") in ("dumb", "unknown")
        self.lost: OSError | None = None
        columns = environ.get("COLUMNS", "")
        width = int(columns) if columns.isdigit() and int(columns) > 0 else None
        super().__init__(
            file=file,
            force_terminal=not self.plain,
            force_interactive=not self.plain,
            force_jupyter=False,
            no_color=self.plain or bool(environ.get("NO_COLOR")),
            color_system=None if self.plain else "auto",
            width=(width or _PLAIN_WIDTH) if self.plain else None,
            markup=False,
            emoji=False,
            highlight=False,
            record=record,
            _environ=environ,
        )

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        for segment in super().render(renderable, options):
            if segment.control:
                yield segment
                continue
            text = "\n".join(inert(line) for line in segment.text.split("\n"))
            yield segment if text == segment.text else Segment(text, segment.style)

    def put(self, line: Text) -> None:
        """One line: folded with an indent on a terminal, left whole where a script may read it."""
        if self.plain or line.no_wrap:
            self.print(line, soft_wrap=True)
            return
        for piece in folded(line, self.width):
            self.print(piece)

    def on_broken_pipe(self) -> None:
        """The reader went away (`| head`): go on silently, the exit status still tells."""
        self._silence()

    def _check_buffer(self) -> None:
        try:
            super()._check_buffer()
        except OSError as error:
            # a full disk behind `> file`, a terminal that was closed: the work and its status matter more
            if error.errno != errno.EPIPE:
                self.lost = error
            self._silence()

    def _silence(self) -> None:
        self.quiet = True
        self._buffer.clear()
        silence(self.file)


def silence(stream: IO[str]) -> None:
    """Point a stream whose reader is gone at nothing, so that no later flush complains."""
    with contextlib.suppress(OSError, ValueError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, stream.fileno())
        os.close(nothing)


def _is_terminal(stream: IO[str]) -> bool:
    try:
        return stream.isatty()
    except ValueError:  # closed
        return False


@dataclass(frozen=True, slots=True)
class Manner:
    """How a command was asked to speak."""

    json: bool = False
    quiet: bool = False
    silent: bool = False


class Output:
    """Where a command says things.

    `show` is for results, `say` for messages while working, `answer` for the one JSON object.
    """

    def __init__(
        self,
        manner: Manner,
        *,
        stdout: IO[str] | None = None,
        stderr: IO[str] | None = None,
        environ: Mapping[str, str] | None = None,
    ) -> None:
        self.manner = manner
        self._environ = os.environ if environ is None else environ
        self._stdout = _usable(stdout if stdout is not None else sys.stdout)
        self.messages = _Stream(_usable(stderr if stderr is not None else sys.stderr), self._environ)
        self.results = self.messages if manner.json else _Stream(self._stdout, self._environ)
        self._answer_lost: OSError | None = None

    @property
    def live(self) -> bool:
        """Whether a moving screen can be drawn on the message stream."""
        return not self.messages.plain and not self.manner.quiet

    @property
    def fancy(self) -> bool:
        """Whether bars and dashes beyond ASCII can be shown on both streams."""
        return all(stream.encoding.lower().startswith("utf") for stream in (self.messages, self.results))

    def say(self, line: Text) -> None:
        """One message, now, on stderr."""
        self.messages.put(line)

    def show(self, lines: Iterable[Text]) -> None:
        """Result lines, on stdout (stderr with `--json`)."""
        for line in lines:
            self.results.put(line)

    def raw(self, lines: Iterable[str]) -> None:
        """Text for another program on stdout, exactly as it is; it must be inert already."""
        try:
            for line in lines:
                self._stdout.write(line)
            self._stdout.flush()
        except OSError as error:
            if error.errno != errno.EPIPE:
                self._answer_lost = error
            silence(self._stdout)

    def answer(self, value: dict[str, Any]) -> None:
        """The one JSON object on stdout, pure ASCII so that no encoding can spoil it."""
        try:
            self._stdout.write(json.dumps(value, ensure_ascii=True) + "\n")
            self._stdout.flush()
        except OSError as error:
            if error.errno != errno.EPIPE:
                self._answer_lost = error
            silence(self._stdout)

    def error(self, message: str, hint: str = "") -> None:
        """What went wrong and what to do next, on stderr."""
        self.say(join(Text("Error: ", BAD), safe(message)))
        if hint:
            self.say(join("  Next: ", safe(hint)))

    def bell(self) -> None:
        """Ring once, when somebody sits at a terminal and did not ask for silence."""
        if not self.messages.plain and not self.manner.silent:
            self.messages.bell()

    @property
    def lost(self) -> OSError | None:
        """The error that kept the result from its reader, if there was one (a closed pipe is none)."""
        return self._answer_lost or self.results.lost


def _usable(stream: IO[str] | None) -> IO[str]:
    """The stream itself, made unable to fail on odd letters; a dead end where the process has none."""
    if stream is None:
        return open(os.devnull, "w", encoding="utf-8")
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        with contextlib.suppress(ValueError, OSError):
            reconfigure(errors="backslashreplace")
    return stream
