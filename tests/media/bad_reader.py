"""The process that reads media, with a library in it that a file has led astray: `python bad_reader.py WHAT`.

Everything else is the real thing: the limits it lives under and the way it is asked.
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

from rollproof.media.facts_model import Facts
from rollproof.media.problems import CannotSay
from rollproof.media.reader import child as reader_child
from rollproof.media.reader import facts as pyav_facts
from rollproof.media.reader import talk as reader_talk
from rollproof.media.source import Source

LIBC = ctypes.CDLL(None)
TRAP = b"trap"
"""A file that begins so does the harm; every other one is read as always."""

LIE = "what makes no sense"
_real = pyav_facts.read
_real_packed = reader_child._packed


def _packed(facts: Facts) -> bytes:
    return b'{"width": "' + b"[" * 9000 + b'"}' if facts.codec == LIE else _real_packed(facts)


def crash() -> Facts:
    """Native code that touches what is not there."""
    signal.signal(signal.SIGSEGV, signal.SIG_DFL)
    ctypes.string_at(0)
    raise AssertionError


def hang() -> Facts:
    """Native code that waits for ever, deaf to everything."""
    while True:
        LIBC.pause()


def eat() -> Facts:
    """Native code that takes memory without end."""
    LIBC.malloc.restype = ctypes.c_void_p
    taken = 0
    while LIBC.malloc(ctypes.c_size_t(64 << 20)):
        taken += 64
        if taken > 4096:
            return Facts(codec=f"took {taken} MiB")
    raise MemoryError


def leave() -> Facts:
    """An end in the middle."""
    os._exit(0)


def babble() -> Facts:
    """What makes no sense, at length."""
    os.write(3, b"\xff" * 70_000)
    return Facts()


def lie() -> Facts:
    """Facts that are none."""
    return Facts(codec=LIE)


def half_characters() -> Facts:
    """Bytes that are no text, the way some versions of the library hand them on."""
    return Facts(reel="A00\udcff1", codec="\udcfe" * 300)


def ask_for_ever() -> Facts:
    """The same bytes over and over."""
    wish = reader_talk.WISH.pack(0, 16)
    while True:
        os.write(3, reader_talk.READ + (12).to_bytes(4, "big") + wish)
        os.read(0, 1 << 16)


def reach() -> Facts:
    """Everything that this process should have no way to: told in the facts."""
    got: list[str] = []

    def attempt(name: str, what: Callable[[], object]) -> None:
        try:
            what()
        except OSError:
            return
        got.append(name)

    seen, made = sys.argv[2], sys.argv[3]
    attempt("read", lambda: Path(seen).read_bytes())
    attempt("list", lambda: os.listdir(os.path.dirname(seen)))
    attempt("write", lambda: Path(made).write_bytes(b"x"))
    attempt("remove", lambda: os.unlink(seen))
    attempt("make", lambda: os.mkdir(made + "-folder"))
    attempt("run", lambda: os.posix_spawn("/bin/true", ["true"], {}))
    handles = []
    for number in range(256):
        try:
            os.fstat(number)
        except OSError:
            continue
        handles.append(number)
    return Facts(codec=json.dumps([got, handles]), duration_seconds=Fraction(1))


def unfit(*_: object) -> Facts:
    """A library whose ways have changed."""
    raise TypeError("open() got an unexpected keyword argument")


def nothing(*_: object) -> Facts:
    """A library that reads nothing out of any file."""
    return Facts()


def main() -> None:
    """The child, with its library replaced."""
    if sys.argv[1] in (unfit.__name__, nothing.__name__):
        pyav_facts.read = globals()[sys.argv[1]]
        reader_child.main()
    act: Callable[[], Facts] = globals()[sys.argv[1]]

    def read(source: Source, container: str) -> Facts:
        if not source.at(0, 64 << 10).endswith(TRAP):
            return _real(source, container)
        return act()

    pyav_facts.read = read
    reader_child._packed = _packed
    reader_child.main()


if __name__ == "__main__":
    try:
        main()
    except CannotSay:
        sys.exit(3)
