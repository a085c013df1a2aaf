"""What one start of the program carries from the command line to a command: seams, manner of speaking, how it ended.

Light: imported for `--help` too.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import IO, TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from datetime import datetime

    from rollproof.cli.console import Output


def _wall() -> datetime:
    from datetime import datetime  # noqa: PLC0415 - not needed for --help

    return datetime.now().astimezone()


class Session:
    """The `obj` of every click context.

    `replaced` maps names of functions (`offload`, `verify` …) to stand-ins; tests use it, nothing else does. Streams,
    environment and clocks are the process's own unless given.
    """

    def __init__(
        self,
        *,
        replaced: Mapping[str, Callable[..., Any]] | None = None,
        stdout: IO[str] | None = None,
        stderr: IO[str] | None = None,
        environ: Mapping[str, str] | None = None,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], datetime] = _wall,
    ) -> None:
        self._replaced = dict(replaced or {})
        self.stdout = stdout
        self.stderr = stderr
        self.environ = os.environ if environ is None else environ
        self.clock = clock
        self.wall = wall
        self.arguments: tuple[str, ...] = ()
        self.job: Job | None = None
        self.hangs = False
        """Whether something of ours waits on a device that does not answer: then the process must not wait for it."""
        self.drawing_trouble = ""
        """The traceback of a mistake in the screen, which did not end the work."""
        self._output: Output | None = None
        self.wants_json = False

    def workflow(self, place: str) -> Callable[..., Any]:
        """The job a command calls, as `module:function`, imported only now; a test may have replaced the function."""
        module, _, name = place.partition(":")
        found: Callable[..., Any] = self._replaced.get(name) or getattr(import_module(module), name)
        return found

    def speak(self, *, json: bool = False, quiet: bool = False, silent: bool = False) -> Output:
        """The console for this command, made once, in the manner asked for."""
        from rollproof.cli.console import Manner, Output  # noqa: PLC0415 - rich is not needed for --help

        self.wants_json = json
        self._output = Output(
            Manner(json=json, quiet=quiet, silent=silent), stdout=self.stdout, stderr=self.stderr, environ=self.environ
        )
        return self._output

    @property
    def output(self) -> Output:
        """The console the command asked for, or a plain one if it ended before asking."""
        return self._output or self.speak(json=self.wants_json)

    @property
    def output_lost(self) -> OSError | None:
        """The error that kept the result from its reader, if any."""
        return self._output.lost if self._output is not None else None


RARE = frozenset(
    {
        "--accept", "--add-hash", "--against", "--all", "--block", "--clock-is-right", "--day", "--expect-clips",
        "--expect-last", "--hash", "--json", "--no-posters", "--note", "--production", "--quiet", "--reads",
        "--reason", "--role", "--roll", "--sheet", "--silent", "--since", "--single-read", "--strict",
        "--system-disk", "--unit", "--via",
    }
)  # fmt: skip
"""Options that come last in `--help`, after the examples, where a command has more options than a screen holds."""


def _is_rare(option: click.Parameter) -> bool:
    return not RARE.isdisjoint(option.opts)


def _section(
    ctx: click.Context, formatter: click.HelpFormatter, title: str, options: Sequence[click.Parameter]
) -> None:
    rows = [row for option in options if (row := option.get_help_record(ctx)) is not None]
    if rows:
        with formatter.section(title):
            formatter.write_dl(rows)


class Job(click.Command):
    """A command that does one job for a person.

    `empty_answer` is what `--json` gives when the job ends in an error, under the keys that a script looks at;
    `what_is_safe` is said after a mistake of ours and after Ctrl-C; `failure_line` is printed with every failure,
    usage errors too (the card's answer must be KEEP then).
    """

    def __init__(
        self,
        *args: Any,
        empty_answer: Mapping[str, Any] | None = None,
        what_is_safe: str = "Nothing was changed.",
        failure_line: str = "",
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.empty_answer = dict(empty_answer or {"findings": []})
        self.what_is_safe = what_is_safe
        self.failure_line = failure_line

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options of every day; the others come after the examples."""
        _section(ctx, formatter, "Options", [each for each in self.get_params(ctx) if not _is_rare(each)])

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The examples, then the options that few need."""
        super().format_epilog(ctx, formatter)
        _section(ctx, formatter, "Rarely needed", [each for each in self.get_params(ctx) if _is_rare(each)])

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Parse, after noting which command it is: errors, those of usage too, are worded by it."""
        if isinstance(ctx.obj, Session):
            ctx.obj.job = self
        return super().parse_args(ctx, args)
