"""What is said between this program and the process that reads media: messages over two pipes, and how large they get.

A message is one byte of kind, four bytes of length, and so many bytes. The side of the library asks for bytes of the
file by place and length; it never learns a name or a path.
"""

from __future__ import annotations

import struct
from typing import Protocol

ASK_FACTS, ASK_POSTER, DATA, FAILED = b"F", b"P", b"D", b"X"
"""To the reader: the facts of a file, a picture of it, bytes that it asked for, and that these cannot be had."""

READY, READ, FACTS, PICTURE, CANNOT = b"r", b"R", b"f", b"p", b"c"
"""From the reader: once, that its library works; a wish for bytes; the answer as facts, as a picture; that there is
none, and why."""

ASK = struct.Struct(">QIB")
"""Size of the file, width of the picture; the container's name in ASCII follows, its length last."""

WISH = struct.Struct(">QI")
"""Place and length."""

LONGEST_WISH = 1 << 20
LONGEST = {
    **{ASK_FACTS: 64, ASK_POSTER: 64, DATA: LONGEST_WISH, FAILED: 0},
    **{READY: 0, READ: WISH.size, FACTS: 16 << 10, PICTURE: 8 << 20, CANNOT: 200},
}
"""Bytes of each kind of message: one that is longer was made by nobody we know."""

_HEAD = struct.Struct(">cI")


class Pipe(Protocol):
    """One end of a pipe, without a buffer of its own."""

    def read(self, size: int, /) -> bytes | None:
        """Up to so many bytes; none at its end."""
        ...

    def write(self, data: bytes, /) -> int | None:
        """How many bytes were taken."""
        ...


class NoTalk(Exception):
    """The other side is gone, or says what makes no sense."""


def send(pipe: Pipe, kind: bytes, payload: bytes = b"") -> None:
    """One message. Raises OSError, ValueError for a pipe that was closed."""
    left = memoryview(_HEAD.pack(kind, len(payload)) + payload)
    while left:
        left = left[pipe.write(bytes(left)) or 0 :]


def receive(pipe: Pipe) -> tuple[bytes, bytes]:
    """The next message: its kind and what it holds. Raises NoTalk, OSError."""
    kind, length = _HEAD.unpack(_exactly(pipe, _HEAD.size))
    if length > LONGEST.get(kind, -1):
        raise NoTalk
    return kind, _exactly(pipe, length)


def _exactly(pipe: Pipe, count: int) -> bytes:
    pieces: list[bytes] = []
    while count:
        piece = pipe.read(count)
        if not piece:
            raise NoTalk
        pieces.append(piece)
        count -= len(piece)
    return b"".join(pieces)
