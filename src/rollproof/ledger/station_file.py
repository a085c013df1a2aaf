"""The ledger's own files in the station's home, and the three small ones beside it.

| file | what |
|---|---|
| `ledger.sqlite3` (`-wal`, `-shm`) | the ledger |
| `ledger.note` | that there is one, and how many writes it has seen: a missing or an older one is recognised |
| `ledger.checked` | what the ledger looked like when it was last let go of, and when all of it was last checked |
| `ledger.writer` | who is writing just now: what a waiting process can say |
| `ledger-set-aside-….sqlite3` | a damaged one; never deleted by us |
| `ledger-kept-….sqlite3` | as it was before a later version changed its form; never deleted by us |
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rollproof.ledger.trouble import LedgerBusy
from rollproof.storage.io import Io
from rollproof.storage.station import closed_to_others

FILE_NAME = "ledger.sqlite3"
_BESIDE = ("", "-wal", "-shm")
_PAUSE_SECONDS = 0.02
_CLOCK_TICK_NS = 10_000_000
"""The coarsest step in which a Linux kernel dates files."""


@dataclass(frozen=True, slots=True)
class StationFile:
    """The places of the ledger's files in one home."""

    home: Path

    @property
    def path(self) -> Path:
        """The ledger itself."""
        return self.home / FILE_NAME

    @property
    def note(self) -> Path:
        """The note beside it."""
        return self.home / "ledger.note"

    @property
    def writer(self) -> Path:
        """Who is writing."""
        return self.home / "ledger.writer"

    @property
    def checked(self) -> Path:
        """How the ledger was left."""
        return self.home / "ledger.checked"

    def set_aside(self, now: datetime) -> Path:
        """Move a damaged ledger out of the way, with everything that belongs to it; returns its new name."""
        stem = f"ledger-set-aside-{now.astimezone(UTC):%Y-%m-%dT%H%M%SZ}"
        number = 1
        while (aside := self.home / (stem + (f"-{number}" if number > 1 else "") + ".sqlite3")).exists():
            number += 1
        for suffix in _BESIDE:
            with contextlib.suppress(FileNotFoundError):
                os.rename(f"{self.path}{suffix}", f"{aside}{suffix}")
        return aside

    def keep_copy(self, now: datetime) -> Path:
        """Copy the ledger, with what its log holds, beside itself, flushed; returns the copy's name.

        Raises OSError or sqlite3.Error, and leaves nothing half-made then.
        """
        stem = f"ledger-kept-{now.astimezone(UTC):%Y-%m-%dT%H%M%SZ}"
        number = 1
        while (kept := self.home / (stem + (f"-{number}" if number > 1 else "") + ".sqlite3")).exists():
            number += 1
        temporary = kept.with_name(f"{kept.name}.{os.getpid()}")
        try:
            os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            with (
                contextlib.closing(sqlite3.connect(self.path)) as there,
                contextlib.closing(sqlite3.connect(temporary)) as copy,
            ):
                there.backup(copy)
            with temporary.open("r+b") as made:
                os.fsync(made.fileno())
            os.rename(temporary, kept)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink()
            raise
        return kept

    def read_note(self) -> dict[str, Any] | None:
        """What the note says; None when there is none, empty when it says nothing sensible."""
        return _read_json(self.note)

    def write_note(self, generation: int) -> None:
        """Note that the ledger has seen this many writes. Only a hint: a failure is passed over."""
        _write_json(self.note, {"generation": generation})

    def note_as_left(self, checked_at: float) -> None:
        """Note how the ledger looks now that it was let go of in good order, and when all of it was last checked.

        Only a hint: without it the next opening checks everything.
        """
        try:
            found = self.path.stat()
            if time.time_ns() - found.st_mtime_ns < _CLOCK_TICK_NS:
                time.sleep(_CLOCK_TICK_NS / 1e9)  # a change from now on must have another time than the last of ours
        except OSError:
            return
        _write_json(self.checked, {**_looks(found), "checked_at": checked_at})

    def distrust(self) -> None:
        """Have all of the ledger looked through at the next opening."""
        with contextlib.suppress(OSError):
            self.checked.unlink()

    def checked_as_left(self) -> float | None:
        """When all of the ledger was last checked, in seconds since 1970, if nobody has touched it since a process of
        ours let go of it in good order; None otherwise."""
        note = _read_json(self.checked)
        if not note:
            return None
        try:
            found = self.path.stat()
            log = Path(f"{self.path}-wal")
            if log.exists() and log.stat().st_size:
                return None  # left in a hurry: by a kill, or by a process that is still at work
        except OSError:
            return None
        looks = _looks(found)
        at = note.get("checked_at")
        if {name: note.get(name) for name in looks} != looks or not isinstance(at, int | float):
            return None
        return float(at)

    @contextlib.contextmanager
    def named_writer(self, doing: str) -> Iterator[None]:
        """Leave word who is writing, while it lasts."""
        _write_json(
            self.writer,
            {"pid": os.getpid(), "host": socket.gethostname(), "since": int(time.time()), "doing": doing},
        )
        try:
            yield
        finally:
            with contextlib.suppress(OSError):
                self.writer.unlink()

    def busy(self, waited_seconds: float) -> LedgerBusy:
        """The error for a ledger that somebody else holds, saying who, as far as they left word."""
        held = _read_json(self.writer) or {}
        pid, host, doing = held.get("pid"), held.get("host"), held.get("doing")
        who = "another process, which left no word who it is"
        if isinstance(pid, int) and isinstance(host, str):
            who = f"process {pid} on {host[:100]}"
            if isinstance(doing, str) and doing:
                who += f" ({doing[:100]})"
            if host == socket.gethostname() and not _is_running(pid):
                who += ", which is not running any more"
        return LedgerBusy(
            f"The ledger at {self.path} is held by {who}; waited {waited_seconds:.0f} s.",
            hint="Wait for it to end and run the command again. Copies and records on the drives are not touched.",
        )


def _looks(found: os.stat_result) -> dict[str, int]:
    """What no change of a file's bytes leaves as it was; an in-place edit that sets the date back changes the last."""
    return {
        "size": found.st_size,
        "inode": found.st_ino,
        "modified_ns": found.st_mtime_ns,
        "changed_ns": found.st_ctime_ns,
    }


def _is_running(pid: int) -> bool:
    if os.name != "posix" or pid <= 0:
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _read_json(path: Path) -> dict[str, Any] | None:
    try:
        text = path.read_bytes()[:4096]
    except FileNotFoundError:
        return None
    except OSError:
        return {}
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _write_json(path: Path, values: dict[str, object]) -> None:
    temporary = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        with open(temporary, "w", encoding="utf-8", opener=closed_to_others) as file:
            file.write(json.dumps(values))
        os.replace(temporary, path)
    except OSError:
        with contextlib.suppress(OSError):
            temporary.unlink()


@contextlib.contextmanager
def home_lock(io: Io, station: StationFile, wait_seconds: float) -> Iterator[None]:
    """Hold the station's home for as long as the ledger is being opened, checked, mended or set aside.

    Raises LedgerBusy after `wait_seconds`. Where the file system knows no such lock, goes on without.
    """
    handle = io.open_root(os.fsencode(station.home))
    try:
        end = time.monotonic() + wait_seconds
        with contextlib.suppress(OSError):
            while not io.lock(handle):
                if time.monotonic() >= end:
                    raise station.busy(wait_seconds)
                time.sleep(_PAUSE_SECONDS)
        yield
    finally:
        io.close(handle)
