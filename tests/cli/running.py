"""Runs command lines in this process, with stand-ins for the workflows and streams that can play a terminal."""

from __future__ import annotations

import io
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from rollproof.cli.boundary import run
from rollproof.cli.session import Session

WALL = datetime(2026, 5, 14, 14, 20, 0, tzinfo=UTC)
_CODES = re.compile("\x1b\\[[0-9;?]*[A-Za-z]|[\r\x07]")


class Stream(io.StringIO):
    """Text that was written, and whether the writer was told that this is a terminal."""

    def __init__(self, *, terminal: bool = False) -> None:
        super().__init__()
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal


@dataclass(frozen=True)
class Ran:
    """What a command line did."""

    status: int
    out: str
    err: str

    @property
    def last_line(self) -> str:
        """The last line on stdout, without control codes."""
        return without_codes(self.out).rstrip("\n").splitlines()[-1]


def without_codes(text: str) -> str:
    """The text as a person would read it."""
    return _CODES.sub("", text)


def run_line(
    *arguments: str,
    terminal: bool = False,
    environ: Mapping[str, str] | None = None,
    clock: Callable[[], float] = lambda: 0.0,
    **workflows: Callable[..., Any],
) -> Ran:
    """Run `rollproof ARGUMENTS`; keyword arguments stand in for workflows."""
    out, err = Stream(terminal=terminal), Stream(terminal=terminal)
    base = {"ROLLPROOF_HOME": os.environ["ROLLPROOF_HOME"], "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
    session = Session(
        replaced=workflows,
        stdout=out,
        stderr=err,
        environ={**base, **(environ or {})},
        clock=clock,
        wall=lambda: WALL,
    )
    status = run(list(arguments), session)
    return Ran(status, out.getvalue(), err.getvalue())
