"""Keeps the native media library in a process of its own: what a hostile file does to it, it does there.

A crash, a hang or an endless appetite there means *not known* for that one file, and nothing else. The process is
started when the first file asks for it and serves all that follow; it gets no path and no handle of ours, only bytes
that it asks for, and these go through the caller's `Source` with its bounds.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib.util
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import IO, Any

from rollproof.media.facts_model import Facts
from rollproof.media.problems import CannotSay, Failure, LibraryFailed
from rollproof.media.reader import talk as reader_talk
from rollproof.media.source import Source, TooMuch

FACTS_SECONDS, POSTER_SECONDS = 20.0, 60.0
"""For one file, with the reads of a slow medium in it."""

MOST_FAILURES = 6
"""After so many that had to be ended, or ended by themselves, none is started any more."""

START_SECONDS = 30.0
"""For the library to be there: it is large, and the machine may be busy with the copying."""

MEDIUM_SECONDS = {reader_talk.ASK_FACTS: 3.0, reader_talk.ASK_POSTER: 30.0}
"""For one file, spent on waiting for its medium: after that the library has to make do with what it has. Facts are for
people, and a slow card has other things to do."""

_MOST_AT_ONCE = 2
_MOST_WISHES = 50_000
_OWN_MODULE = (sys.executable, "-P", "-m", "rollproof.media.reader.child")
"""`-P`: nothing is imported from the folder that somebody happens to stand in, which may be a card."""

_KEPT = ("PATH", "SYSTEMROOT", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "LANG", "LC_ALL", "TMPDIR", "TEMP")
_LONGEST_TEXT = 256
_TEXTS = ("start_timecode", "codec", "reel", "scene", "take")
_NUMBERS = ("width", "height", "channels", "sample_rate")
_FRACTIONS = ("duration_seconds", "frame_rate")


class Readers:
    """Up to two such processes, each kept for the next file. For several threads.

    `command` starts one; tests have their own.
    """

    def __init__(
        self,
        command: Sequence[str] = _OWN_MODULE,
        *,
        facts_seconds: float = FACTS_SECONDS,
        poster_seconds: float = POSTER_SECONDS,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._clock = clock
        self._command = tuple(command)
        self._seconds = {reader_talk.ASK_FACTS: facts_seconds, reader_talk.ASK_POSTER: poster_seconds}
        self._begin()

    def _begin(self) -> None:
        self._lock = threading.Lock()
        self._free = threading.BoundedSemaphore(_MOST_AT_ONCE)
        self._idle: list[_Reader] = []
        self._all: set[_Reader] = set()
        self.failures = 0
        self.worked = False
        """Whether the library was ever seen to work."""

    def facts(self, source: Source, container: str) -> Facts:
        """The facts of a file. Raises ModuleNotFoundError without PyAV, LibraryFailed, CannotSay, and what `source`
        raises."""
        kind, said = self._ask(reader_talk.ASK_FACTS, source, container, 0)
        if kind != reader_talk.FACTS:
            raise CannotSay("the media library could not read it")
        return _facts(said)

    def poster(self, source: Source, container: str, wide: int) -> bytes:
        """A picture of a file as PNG. Raises as `facts` does."""
        kind, said = self._ask(reader_talk.ASK_POSTER, source, container, wide)
        if kind != reader_talk.PICTURE or not said.startswith(b"\x89PNG\r\n\x1a\n"):
            raise CannotSay("no picture could be had")
        return said

    def close(self) -> None:
        """End every process, busy or not."""
        with self._lock:
            ended, self._all = self._all, set()
            self._idle.clear()
        for reader in ended:
            reader.end()

    def forget(self) -> None:
        """After a fork: the processes are the parent's."""
        for reader in self._all:
            reader.let_go()
        self._begin()  # the locks may be held by threads that are not here

    def _ask(self, ask: bytes, source: Source, container: str, wide: int) -> tuple[bytes, bytes]:
        # where it worked a moment ago nobody goes looking for it again: that costs as much as a small file
        if (sys.modules.get("av", True) if self.worked else importlib.util.find_spec("av")) is None:
            raise ModuleNotFoundError("av")
        with self._free:
            reader = self._reader()
            try:
                answer = reader.ask(ask, source, container, wide, self._seconds[ask])
            except reader_talk.NoTalk as problem:
                self.worked |= reader.works
                if reader.longest_wait > self._seconds[ask] / 2:  # then it was ended for what the medium did
                    self._end(reader)
                    raise CannotSay("the medium did not answer in time") from problem
                self._failed(reader)
                raise LibraryFailed(Failure.OVER_IT if reader.works else Failure.AT_ALL) from problem
            except BaseException:
                # somebody wants to stop in the middle of it
                self._end(reader)
                raise
            with self._lock:
                self.worked = True
                if reader in self._all:
                    self._idle.append(reader)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def _reader(self) -> _Reader:
        with self._lock:
            if self._idle:
                return self._idle.pop()
            if self.failures >= MOST_FAILURES:
                raise LibraryFailed(Failure.TOO_OFTEN if self.worked else Failure.AT_ALL)
        try:
            reader = _Reader(self._command, self._clock)
        except (OSError, ValueError, subprocess.SubprocessError) as problem:
            with self._lock:
                self.failures += 1
            raise LibraryFailed(Failure.AT_ALL) from problem
        with self._lock:
            self._all.add(reader)
        return reader

    def _failed(self, reader: _Reader) -> None:
        with self._lock:
            self.failures += 1
        self._end(reader)

    def _end(self, reader: _Reader) -> None:
        with self._lock:
            self._all.discard(reader)
        reader.end()


class _Reader:
    """One process, for one caller at a time."""

    def __init__(self, command: Sequence[str], clock: Callable[[], float]) -> None:
        self._clock = clock
        self.works = False
        """Whether it has said that its library works."""
        self.longest_wait = 0.0
        """Seconds that one read of the last file's medium took."""
        options: dict[str, Any] = {"start_new_session": True}  # a Ctrl-C at the terminal is ours alone
        if sys.platform == "win32":
            options = {"creationflags": subprocess.CREATE_NO_WINDOW | subprocess.BELOW_NORMAL_PRIORITY_CLASS}
        environment = {name: os.environ[name] for name in _KEPT if name in os.environ}
        environment["PYTHONPATH"] = os.pathsep.join(os.path.abspath(each) for each in sys.path if each)
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
            close_fds=True,
            cwd=os.path.abspath(os.sep),  # it holds no folder of a card or a drive
            env=environment,
            **options,
        )

    def ask(
        self, ask: bytes, source: Source, container: str, wide: int, seconds: float
    ) -> tuple[bytes, bytes] | Exception:
        """The answer, or what `source` raised on the way. Raises NoTalk when there will be none."""
        speak, listen = self._process.stdin, self._process.stdout
        assert speak is not None and listen is not None
        self._begun(listen)
        watch = self._watched(seconds)
        trouble: Exception | None = None
        waited = self.longest_wait = 0.0
        try:
            name = container.encode("ascii")
            reader_talk.send(speak, ask, reader_talk.ASK.pack(source.size, wide, len(name)) + name)
            for _ in range(_MOST_WISHES):
                kind, said = reader_talk.receive(listen)
                if kind in (reader_talk.FACTS, reader_talk.PICTURE, reader_talk.CANNOT):
                    return trouble or (kind, said)
                if kind != reader_talk.READ or len(said) != reader_talk.WISH.size:
                    break
                offset, length = reader_talk.WISH.unpack(said)
                began = self._clock()
                try:
                    if waited > MEDIUM_SECONDS[ask]:
                        raise TooMuch
                    data = source.at(offset, min(length, reader_talk.LONGEST_WISH)) if trouble is None else b""
                except TooMuch:
                    reader_talk.send(speak, reader_talk.FAILED)
                except OSError as error:
                    trouble = error
                    reader_talk.send(speak, reader_talk.FAILED)
                else:
                    reader_talk.send(speak, reader_talk.DATA, data)
                finally:
                    took = self._clock() - began
                    waited += took
                    self.longest_wait = max(self.longest_wait, took)
        except (OSError, ValueError) as problem:
            raise reader_talk.NoTalk from problem
        finally:
            watch.cancel()
        raise reader_talk.NoTalk

    def _watched(self, seconds: float) -> threading.Timer:
        """Ends the process in so many seconds, unless it is cancelled."""
        watch = threading.Timer(seconds, self._process.kill)
        watch.daemon = True
        watch.start()
        return watch

    def _begun(self, listen: IO[bytes]) -> None:
        """Wait until it says that its library works. Raises NoTalk when it does not."""
        if self.works:
            return
        watch = self._watched(START_SECONDS)
        try:
            self.works = reader_talk.receive(listen)[0] == reader_talk.READY
        except (OSError, ValueError) as problem:
            raise reader_talk.NoTalk from problem
        finally:
            watch.cancel()
        if not self.works:
            raise reader_talk.NoTalk

    def end(self) -> None:
        """End it, whatever it does."""
        self._process.kill()
        self.let_go()
        # a moment for the system to take it away
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(5)

    def let_go(self) -> None:
        """Close our ends of its pipes."""
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def _facts(said: bytes) -> Facts:
    """Facts from the other side, which nobody vouches for. Raises CannotSay."""
    try:
        found = json.loads(said)
        known: dict[str, Any] = {name: _text(found[name]) for name in _TEXTS}
        known |= {name: _number(found[name]) for name in _NUMBERS}
        known |= {name: _fraction(found[name]) for name in _FRACTIONS}
    except (ValueError, TypeError, LookupError, ArithmeticError, RecursionError) as problem:
        raise CannotSay("the media library said what makes no sense") from problem
    return Facts(**known)


def _text(value: object) -> str:
    """Short, and free of the half characters that some versions make of bytes that are no text."""
    return str(value)[:_LONGEST_TEXT].encode("utf-8", "replace").decode("utf-8")


def _number(value: object) -> int | None:
    if value is None:
        return None
    if not isinstance(value, int) or not 0 < value < 1 << 32:
        raise ValueError
    return value


def _fraction(value: object) -> Fraction | None:
    if value is None:
        return None
    if not isinstance(value, list):
        raise ValueError
    above, below = value
    if not isinstance(above, int) or not isinstance(below, int) or max(abs(above), abs(below)) >= 1 << 100:
        raise ValueError
    return Fraction(above, below)


_shared: Readers | None = None
_shared_lock = threading.Lock()


def readers() -> Readers:
    """The ones that all of this program uses."""
    global _shared  # noqa: PLW0603 - one set of processes for the whole program is the point
    with _shared_lock:
        if _shared is None:
            _shared = Readers()
            atexit.register(_shared.close)
            if hasattr(os, "register_at_fork"):
                os.register_at_fork(after_in_child=_shared.forget)
        return _shared
