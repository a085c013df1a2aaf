"""The process that reads media: the only one in which the native media library runs.

Fed over its standard input, answers over its standard output, ends when the other side is gone. What a hostile file
does to the library, it does here: see `reader_process`, which starts this.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import struct
from collections.abc import Callable
from dataclasses import asdict
from fractions import Fraction
from io import FileIO
from typing import Any

from rollproof.media import wav
from rollproof.media.facts_model import Facts
from rollproof.media.problems import CannotSay
from rollproof.media.reader import facts as pyav_facts
from rollproof.media.reader import poster_frame as pyav_poster
from rollproof.media.reader import talk as reader_talk
from rollproof.media.reader.confined import confine
from rollproof.media.source import BytesSource, FileSource, clamp

SELF_SECONDS = 90.0
"""After so long with one file the system ends this process, even when nobody is left to do so."""

_LESS_URGENT = 10
_NO_BOUND = 1 << 62
"""The other side has its own."""


class _FarSource:
    """A source whose bytes the other side reads."""

    def __init__(self, size: int, listen: FileIO, speak: FileIO) -> None:
        self.size = size
        self.failed = False
        self.gone = False
        """Whether there is nobody any more to ask."""
        self._listen = listen
        self._speak = speak

    def read_into(self, _handle: int, view: memoryview, offset: int) -> int:
        """See `Io.read_into`."""
        data = self.at(offset, len(view))
        view[: len(data)] = data
        return len(data)

    def at(self, offset: int, length: int) -> bytes:
        """See `Source.at`. Nothing once the other side said that it cannot go on, or is gone."""
        start, count = clamp(offset, min(length, reader_talk.LONGEST_WISH), self.size)
        if self.failed or not count:
            return b""
        try:
            reader_talk.send(self._speak, reader_talk.READ, reader_talk.WISH.pack(start, count))
            kind, data = reader_talk.receive(self._listen)
        except (reader_talk.NoTalk, OSError):
            self.failed = self.gone = True
            return b""
        self.failed = kind != reader_talk.DATA
        return data


def serve(listen: FileIO, speak: FileIO) -> None:
    """Answer until the other side is gone."""
    while True:
        try:
            kind, asked = reader_talk.receive(listen)
        except (reader_talk.NoTalk, OSError):
            return
        size, wide, named = reader_talk.ASK.unpack_from(asked)
        container = asked[reader_talk.ASK.size :][:named].decode("ascii")
        far = _FarSource(size, listen, speak)
        # the library asks for little at a time; the other side, which copies a card, is asked seldom
        source = FileSource(far, 0, size, most_bytes=_NO_BOUND, most_reads=_NO_BOUND, most_seconds=_NO_BOUND)
        _end_in(SELF_SECONDS)
        try:
            if kind == reader_talk.ASK_POSTER:
                picture = pyav_poster.poster(source, container, wide)
                answer, said = (reader_talk.PICTURE, picture) if picture else (reader_talk.CANNOT, b"no picture")
            else:
                answer, said = reader_talk.FACTS, _packed(pyav_facts.read(source, container))
        except (CannotSay, ArithmeticError, LookupError, MemoryError, OSError, ValueError):
            answer, said = reader_talk.CANNOT, b"not readable"
        _end_in(0)
        if far.gone:
            return
        if len(said) > reader_talk.LONGEST[answer]:
            answer, said = reader_talk.CANNOT, b"too long"
        try:
            reader_talk.send(speak, answer, said)
        except OSError:
            return


def _packed(facts: Facts) -> bytes:
    def plain(value: object) -> object:
        return [value.numerator, value.denominator] if isinstance(value, Fraction) else value

    return json.dumps({name: plain(value) for name, value in asdict(facts).items()}).encode("ascii")


def _end_in(seconds: float) -> None:
    timer: Callable[..., Any] | None = getattr(signal, "setitimer", None)  # not on Windows
    if timer is not None:
        timer(signal.ITIMER_REAL, seconds)


def _import_everything() -> None:
    """The heavy library and those of its modules that it would look for when a stream of their kind turns up."""
    import av  # noqa: PLC0415 - only in this process

    for kind in ("audio", "video", "subtitles", "data", "attachments"):
        for module in ("stream", "codeccontext", "frame", "reformatter", "resampler", "subtitle"):
            with contextlib.suppress(ModuleNotFoundError):
                importlib.import_module(f"av.{kind}.{module}")
    for module in ("sidedata", "encparams", "motionvectors"):
        with contextlib.suppress(ModuleNotFoundError):
            importlib.import_module(f"av.sidedata.{module}")
    av.logging.set_level(None)


def _works() -> bool:
    """Whether the library reads a file of which everything is known, under all the limits of this process."""
    sound = struct.pack("<HHIIHH", 1, 2, 48_000, 288_000, 6, 24)
    chunks = b"WAVEfmt " + struct.pack("<I", len(sound)) + sound + b"data" + struct.pack("<I", 6_000) + bytes(6_000)
    facts = pyav_facts.read(BytesSource(b"RIFF" + struct.pack("<I", len(chunks)) + chunks), wav.NAME)
    return (facts.channels, facts.sample_rate, facts.codec) == (2, 48_000, "PCM 24 bit")


def main() -> None:
    """Set everything up, give up what is not needed, see that the library works, serve."""
    if hasattr(os, "nice"):
        os.nice(_LESS_URGENT)  # than the offload that may run beside
    _import_everything()
    speak = FileIO(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints goes nowhere
    confine()
    if not _works():
        os._exit(1)
    with contextlib.suppress(OSError):
        reader_talk.send(speak, reader_talk.READY)
    serve(FileIO(0, "rb", closefd=False), speak)
    # no clean-up in a process that may have been led astray
    os._exit(0)


if __name__ == "__main__":
    main()
