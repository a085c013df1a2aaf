"""A station whose command starts at once, for kills by the hundred; see `fork_server`."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

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


class ForkedStation:
    """Like `Station`, for the plain command only. Close it, or use it as a context."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self._out = station.home.parent / "stdout"
        self._err = station.home.parent / "stderr"
        self._server = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("fork_server.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )

    def _ask(self, words: dict[str, Any]) -> dict[str, Any]:
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write(json.dumps(words).encode() + b"\n")
        self._server.stdin.flush()
        told: dict[str, Any] = json.loads(self._server.stdout.readline())
        return told

    def run(self, *words: Word) -> Ended:
        """Run the command to its end."""
        return self.run_and_kill(_LONGEST_SECONDS, *words)

    def run_and_kill(self, seconds: float, *words: Word, since: Callable[[], bool] | None = None) -> Ended:
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
        first = None if since is not None else 0.0
        worked = 0.0
        killed = False
        while status is None:
            worked = _worked(pid, worked)
            status = self._ask({"poll": pid})["status"]
            if first is None and since is not None and since():
                first = worked
            due = first is not None and worked - first > seconds
            if status is None and not killed and (due or time.monotonic() - began > _LONGEST_SECONDS):
                with contextlib.suppress(ProcessLookupError):  # before it made a group of its own
                    os.killpg(pid, signal.SIGKILL)
                os.kill(pid, signal.SIGKILL)  # not waited for yet, so the number is still its own
                killed = True
            if status is None:
                time.sleep(_TICK)
        if killed and status == -signal.SIGKILL:
            FAULTS.add("SIGKILL at a random instant")
        took = time.monotonic() - began
        return Ended(status, self._out.read_bytes(), self._err.read_bytes(), took, work_seconds=worked - (first or 0.0))

    def close(self) -> None:
        """End the server."""
        assert self._server.stdin is not None
        self._server.stdin.close()
        self._server.wait(10)
        if self._server.stdout is not None:
            self._server.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
