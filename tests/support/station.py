"""The real command as a person runs it: a process of its own, killed at any instant, under injected errors."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from support.counting import FAULTS

_LONGEST_SECONDS = 120.0
_INJECTED = re.compile(r"\(INJECTED\)|\(DELAYED\)")

Word = str | bytes | Path


@dataclass(frozen=True)
class Ended:
    """How the command ended. `status` is negative for a signal, as in `subprocess`; `log` is strace's, where it ran;
    `work_seconds` are those of the processor, and `peak_bytes` the most memory it held, where they were counted."""

    status: int
    stdout: bytes
    stderr: bytes
    seconds: float
    log: str = ""
    work_seconds: float = 0.0
    peak_bytes: int = 0

    @property
    def json(self) -> dict[str, Any]:
        """The one JSON object on stdout; ValueError when there is anything else."""
        told: dict[str, Any] = json.loads(self.stdout)
        return told

    @property
    def text(self) -> str:
        """Everything it said."""
        return (self.stdout + self.stderr).decode("utf-8", "replace")

    @property
    def killed(self) -> bool:
        """Whether SIGKILL ended it."""
        return self.status in (-signal.SIGKILL, 128 + signal.SIGKILL)

    @property
    def faults(self) -> int:
        """How many calls strace tampered with."""
        return len(_INJECTED.findall(self.log))


@dataclass(frozen=True)
class Inject:
    """One of strace's injections: `call` (or several, with commas), what to do, and at which one.

    `what` is in strace's words: `error=EIO`, `retval=0`, `signal=SIGKILL`, `delay_enter=100ms`,
    `poke_exit=@arg2=deadbeef`; `when` is `5` (once), `5+` (from then on), `1..9+2`. `path` limits the counting to
    calls on that file.
    """

    call: str
    what: str
    when: str = "1"
    path: Path | None = None


@dataclass
class Station:
    """A computer with a person at it: its own home, working folder and environment."""

    home: Path
    folder: Path
    environment: Mapping[str, str] = field(default_factory=dict)

    def variables(self) -> dict[str, str]:
        """The whole environment of a run."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith("ROLLPROOF_")}
        return {**kept, "ROLLPROOF_HOME": str(self.home), **self.environment}

    def start(self, *words: Word, before: Sequence[Word] = ()) -> subprocess.Popen[bytes]:
        """Start the command in a process group of its own; the caller ends it."""
        line: list[Word] = [*before, sys.executable, "-m", "rollproof", *words]
        return subprocess.Popen(
            line,
            cwd=self.folder,
            env=self.variables(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )

    def run(self, *words: Word) -> Ended:
        """Run the command to its end. Raises subprocess.TimeoutExpired when there is none."""
        return self._finish(self.start(*words), time.monotonic())

    def run_and_kill(self, seconds: float, *words: Word, since: Callable[[], bool] | None = None) -> Ended:
        """Run the command and SIGKILL it, and all its children, after so many seconds, if it still runs then.

        The seconds count from the start, or from the moment `since` first says True.
        """
        began = time.monotonic()
        process = self.start(*words)
        if since is not None:
            while process.poll() is None and not since() and time.monotonic() - began < _LONGEST_SECONDS:
                time.sleep(0.001)
        try:
            process.wait(seconds)
        except subprocess.TimeoutExpired:
            kill_group(process)
            FAULTS.add("SIGKILL at a random instant")
        return self._finish(process, began)

    def run_with_faults(self, faults: Sequence[Inject], *words: Word) -> Ended:
        """Run the command under strace with these injections."""
        log = self.home.parent / f"strace-{time.monotonic_ns()}.log"
        traced = ",".join(sorted({name for fault in faults for name in fault.call.split(",")}))
        before: list[Word] = ["strace", "-f", "-qq", "-o", log, "-e", f"trace={traced}"]
        for fault in faults:
            if fault.path is not None:
                before += ["-P", fault.path]
            before += ["-e", f"inject={fault.call}:{fault.what}:when={fault.when}"]
        began = time.monotonic()
        ended = self._finish(self.start(*words, before=before), began)
        told = log.read_text(encoding="utf-8", errors="replace") if log.exists() else ""
        log.unlink(missing_ok=True)
        full = Ended(ended.status, ended.stdout, ended.stderr, ended.seconds, told)
        FAULTS.add("system call tampered with by strace", full.faults)
        if any("SIGKILL" in fault.what for fault in faults) and full.killed:
            FAULTS.add("SIGKILL at a system call")
        return full

    @staticmethod
    def _finish(process: subprocess.Popen[bytes], began: float) -> Ended:
        try:
            stdout, stderr = process.communicate(timeout=_LONGEST_SECONDS)
        except BaseException:
            kill_group(process)
            process.communicate()
            raise
        return Ended(process.returncode, stdout, stderr, time.monotonic() - began)


def kill_group(process: subprocess.Popen[bytes]) -> None:
    """SIGKILL to a process started by `Station.start` and to everything it started; nothing once it was waited for,
    because its number may be somebody else's by then."""
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)


def instants(seed: int, count: int, longest_seconds: float, *, shortest_seconds: float = 0.0) -> list[float]:
    """Random instants that are the same for the same seed."""
    chance = Random(seed)
    return [chance.uniform(shortest_seconds, longest_seconds) for _ in range(count)]
