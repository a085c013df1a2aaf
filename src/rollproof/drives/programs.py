"""Asking the programs that come with an operating system; what they answer is read, never trusted."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Sequence

Run = Callable[[Sequence[str]], bytes]
"""Runs a program and returns what it printed; empty when it failed, is missing or did not answer in time."""

_SECONDS = 20.0


def run(arguments: Sequence[str], seconds: float = _SECONDS) -> bytes:
    """Standard output of a program; empty when it failed, is missing or did not answer in time."""
    try:
        child = subprocess.Popen(
            list(arguments),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return b""
    try:
        out, _ = child.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        # not waited for: a program stuck in a hung device does not die, and waiting for it would hang us as well
        child.kill()
        return b""
    return out if child.returncode == 0 else b""
