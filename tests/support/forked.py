"""A station whose command starts at once, for kills by the hundred; see `fork_server`."""

from __future__ import annotations

import atexit
import contextlib
import functools
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from support.counting import FAULTS
from support.station import Ended, Station, Word

_LONGEST_SECONDS = 120.0
_TICK = 0.002


def _worked(pid: int, so_far: float) -> float:
    """Processor seconds of all threads of a process; `so_far` once it has ended. (clock_getcpuclockid(3))"""
    try:
        return time.clock_gettime(~pid << 3 | 2)
    except OSError:
        return so_far


class _Server:
    """The program that forks. It ends with this process, whose end of the pipe is its standard input."""

    def __init__(self) -> None:
        self._program = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("fork_server.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        self._one_at_a_time = threading.Lock()
        atexit.register(self.close)

    def ask(self, words: dict[str, Any]) -> dict[str, Any]:
        """One line there and one back."""
        assert self._program.stdin is not None
        assert self._program.stdout is not None
        with self._one_at_a_time:
            self._program.stdin.write(json.dumps(words).encode() + b"\n")
            self._program.stdin.flush()
            told: dict[str, Any] = json.loads(self._program.stdout.readline())
        return told

    def close(self) -> None:
        """End it."""
        assert self._program.stdin is not None
        assert self._program.stdout is not None
        self._program.stdin.close()
        self._program.wait(10)
        self._program.stdout.close()


@functools.cache
def _server() -> _Server:
    """One for all tests of this process: it takes two seconds of the processor to get ready."""
    return _Server()


class ForkedStation:
    """Like `Station`, for the plain command only."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self._out = station.home.parent / "stdout"
        self._err = station.home.parent / "stderr"
        self._ask = _server().ask

    def run(self, *words: Word, longest_seconds: float = _LONGEST_SECONDS) -> Ended:
        """Run the command to its end; kill it where that takes longer than anybody would wait."""
        return self.run_and_kill(longest_seconds, *words, longest_seconds=longest_seconds)

    def run_and_kill(
        self,
        seconds: float,
        *words: Word,
        since: Callable[[], bool] | None = None,
        longest_seconds: float = _LONGEST_SECONDS,
    ) -> Ended:
        """See `Station.run_and_kill`; the seconds are those of the processor that the command had for itself, so that
        an instant is the same one on a busy machine. `work_seconds` of what comes back are such seconds too."""
        began = time.monotonic()
        pid: int = self._ask(
            {
                "start": {
                    "words": [os.fsdecode(word) for word in words],
                    "folder": os.fspath(self.station.folder),
                    "environment": self.station.variables(),
                    "out": os.fspath(self._out),
                    "err": os.fspath(self._err),
                }
            }
        )["pid"]
        status: int | None = None
        told: dict[str, Any] = {}
        first = None if since is not None else 0.0
        worked = 0.0
        killed = False
        while status is None:
            worked = _worked(pid, worked)
            told = self._ask({"poll": pid})
            status = told["status"]
            if first is None and since is not None and since():
                first = worked
            due = first is not None and worked - first > seconds
            if status is None and not killed and (due or time.monotonic() - began > longest_seconds):
                with contextlib.suppress(ProcessLookupError):  # before it made a group of its own
                    os.killpg(pid, signal.SIGKILL)
                os.kill(pid, signal.SIGKILL)  # not waited for yet, so the number is still its own
                killed = True
            if status is None:
                time.sleep(_TICK)
        if killed and status == -signal.SIGKILL:
            FAULTS.add("SIGKILL at a random instant")
        took = time.monotonic() - began
        return Ended(
            status,
            self._out.read_bytes(),
            self._err.read_bytes(),
            took,
            work_seconds=worked - (first or 0.0),
            peak_bytes=told["peak_bytes"],
        )
