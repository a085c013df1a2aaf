"""Keeps a person informed while a workflow runs, without ever slowing it down.

Events only touch the model; a thread of its own draws. A terminal that is held up (Ctrl-S, a slow line) or a mistake in
drawing stops the screen, never the work.
"""

from __future__ import annotations

import contextlib
import threading
import traceback
from collections import deque
from collections.abc import Callable
from types import TracebackType

from rich.console import Group
from rich.live import Live
from rich.text import Text

from rollproof.cli.console import WARN, Output, safe
from rollproof.cli.pictures import Moment, Picture
from rollproof.cli.screen.progress_model import ProgressModel

_TICK_SECONDS = 0.2
_LINE_SECONDS = 10.0
_LINE_FRACTION = 0.1
_LINE_APART_SECONDS = 1.0
_JOIN_SECONDS = 2.0

Draw = Callable[[Picture, int], list[Text]]
"""A picture and a width in columns to the lines of the region that moves."""
Line = Callable[[Picture], Text]
"""A picture to one line, where there is no terminal."""
Say = Callable[[Moment], "tuple[Text, bool] | None"]
"""A moment to its line and whether it rings; None when it needs no line."""


def within(lines: list[Text], rows: int) -> list[Text]:
    """At most so many lines: on a low terminal first the empty ones go, then those at the top.

    A region taller than the terminal could not be erased again.
    """
    if len(lines) > rows:
        lines = [line for line in lines if line.plain.strip()]
    return lines[-rows:] if rows > 0 else []


class Progress:
    """A context manager around one workflow call. `emit` is what the workflow gets.

    On a terminal: lines that stay, above a region that moves. Elsewhere: the same lines, and one about every 10 s or
    10 %. With `--quiet`: nothing but what Ctrl-C has to say.
    """

    def __init__(
        self, output: Output, model: ProgressModel, clock: Callable[[], float], *, draw: Draw, line: Line, say: Say
    ) -> None:
        self.emit = model.apply
        self.trouble = ""
        """The traceback of a mistake in drawing, for the crash file; empty when all went well."""
        self._output = output
        self._model = model
        self._clock = clock
        self._draw, self._line, self._say = draw, line, say
        self._notes: deque[str] = deque()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="screen", daemon=True)
        self._live: Live | None = None
        self._line_at = clock()
        self._line_fraction = 0.0
        self._line_roll = ""
        self._rang = False

    def note(self, text: str) -> None:
        """Say something as soon as the screen is next drawn; safe in a signal handler."""
        self._notes.append(text)

    def stopping(self, text: str) -> None:
        """The person asked for the end: say so, and take no unfinished leg for a failure."""
        self._model.stopping()
        self.note(text)

    def __enter__(self) -> Progress:
        if self._output.live:
            self._live = Live(
                console=self._output.messages,
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            self._live.start()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join(_JOIN_SECONDS)
        if not self._thread.is_alive():  # else the terminal is held up: leave it alone
            self._tick_safely()
            if self._live is not None:
                with contextlib.suppress(OSError):
                    self._live.stop()

    def _run(self) -> None:
        while not self._stop.wait(_TICK_SECONDS):
            self._tick_safely()

    def _tick_safely(self) -> None:
        if self.trouble:
            return
        try:
            self.tick()
        except Exception:  # noqa: BLE001 - a mistake in the screen must not end an offload
            self.trouble = traceback.format_exc()

    def tick(self) -> None:
        """One step: say what is new, then draw. Called by the thread; tests call it with a clock of their own."""
        while self._notes:
            self._output.say(safe(self._notes.popleft(), WARN))
        for moment in self._model.take_moments():
            if self._output.manner.quiet:
                continue
            said = self._say(moment)
            if said is None:
                continue
            line, rings = said
            self._output.say(line)
            if rings and not self._rang:
                self._rang = True
                self._output.bell()
        picture = None if self._output.manner.quiet else self._model.picture()
        if picture is None:
            return
        if self._live is not None:
            size = self._output.messages.size
            lines = within(self._draw(picture, size.width), size.height - 1)
            self._live.update(Group(*lines), refresh=True)
        elif self._line_due(picture):
            self._output.say(self._line(picture))

    def _line_due(self, picture: Picture) -> bool:
        now = self._clock()
        if picture.roll != self._line_roll:
            self._line_roll, self._line_fraction = picture.roll, 0.0
        since = now - self._line_at
        moved = picture.fraction - self._line_fraction
        if since < _LINE_SECONDS and not (moved >= _LINE_FRACTION and since >= _LINE_APART_SECONDS):
            return False
        if picture.all_done:
            return False
        self._line_at, self._line_fraction = now, picture.fraction
        return True
