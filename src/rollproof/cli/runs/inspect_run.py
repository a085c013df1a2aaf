"""Runs `inspect` and `clips`, tells how far they are, and shows what came of it."""

from __future__ import annotations

from collections.abc import Callable

from rollproof.cli.console import QUIET, Output, join, safe
from rollproof.cli.interrupt import cancelling
from rollproof.cli.picture_file import save_picture
from rollproof.cli.session import Session
from rollproof.cli.views import words
from rollproof.cli.views.clips_view import clips_lines, worth_a_word
from rollproof.cli.views.findings_view import finding_lines
from rollproof.cli.views.inspect_view import inspect_lines
from rollproof.models.inspect_results import ClipsResult, InspectResult
from rollproof.models.requests import Cancel, ClipsRequest, InspectRequest
from rollproof.station.context import Context
from rollproof.workflows.inspect.clips_list import csv_lines

_FIRST_WORD_SECONDS = 2.0
_EVERY_SECONDS = 5.0


class _HowFar:
    """Says now and then how many clips were looked into; quick looks say nothing."""

    def __init__(self, output: Output, clock: Callable[[], float]) -> None:
        self._output = output
        self._clock = clock
        self._next = clock() + _FIRST_WORD_SECONDS

    def __call__(self, roll: str, done: int, of: int) -> None:
        if self._output.manner.quiet or self._clock() < self._next:
            return
        self._next = self._clock() + _EVERY_SECONDS
        where = join(" of ", safe(roll)) if roll else ""
        line = join("looked into ", words.number(done), f" of {words.counted(of, 'clip')}", where, style=QUIET)
        self._output.say(line)


def run_inspect(
    session: Session,
    output: Output,
    request: InspectRequest,
    workflow: Callable[..., InspectResult],
    *,
    show_all: bool,
) -> int:
    """Call the workflow and show its result; returns the exit status. Our own errors come through."""
    cancel = Cancel()
    with cancelling(cancel, lambda said: None):
        result = workflow(request, Context.of(cancel=cancel), told=_HowFar(output, session.clock))
    lines = list(
        inspect_lines(
            result,
            show_all=show_all,
            quiet=output.manner.quiet,
            width=output.results.width,
            fancy=output.fancy,
        )
    )
    if output.manner.json:
        output.answer(result.as_json())
    else:
        output.show(lines)
        save_picture(session.environ, output, lines)
    return int(result.status)


def run_clips(
    session: Session,
    output: Output,
    paths: tuple[bytes, ...],
    csv_file: bytes | None,
    workflow: Callable[..., ClipsResult],
) -> int:
    """Call the workflow and show its result; returns the exit status. Our own errors come through."""
    cancel = Cancel()
    printed = csv_file == b"-"
    request = ClipsRequest(paths, None if printed else csv_file)
    with cancelling(cancel, lambda said: None):
        result = workflow(request, Context.of(cancel=cancel), told=_HowFar(output, session.clock))
    if output.manner.json:
        output.answer(result.as_json())
    elif printed:
        output.raw(csv_lines(result.clips))
    else:
        output.show(clips_lines(result, width=output.results.width, fancy=output.fancy))
    if (printed or output.manner.json) and not output.manner.quiet:
        for line in finding_lines(worth_a_word(result)):
            output.say(line)
    return int(result.status)
