"""Small readings every parser needs: numbers from bytes, four-letter codes for people, stretches of zeros."""

from __future__ import annotations

import re

from rollproof.media.source import Source
from rollproof.models.names import inert

LONG_ZERO_TAIL = 1024 * 1024
"""A file whose format never pads so does not end in this many zero bytes."""

_FIRST_LOOK = 4096
_CODE = re.compile(rb"[\x20-\x7e\xa9]{4}")


def be16(data: bytes, position: int = 0) -> int:
    """Unsigned big-endian 16 bits; bytes that are not there count as none."""
    return int.from_bytes(data[position : position + 2], "big")


def be32(data: bytes, position: int = 0) -> int:
    """Unsigned big-endian 32 bits."""
    return int.from_bytes(data[position : position + 4], "big")


def be64(data: bytes, position: int = 0) -> int:
    """Unsigned big-endian 64 bits."""
    return int.from_bytes(data[position : position + 8], "big")


def le16(data: bytes, position: int = 0) -> int:
    """Unsigned little-endian 16 bits."""
    return int.from_bytes(data[position : position + 2], "little")


def le32(data: bytes, position: int = 0) -> int:
    """Unsigned little-endian 32 bits."""
    return int.from_bytes(data[position : position + 4], "little")


def le64(data: bytes, position: int = 0) -> int:
    """Unsigned little-endian 64 bits."""
    return int.from_bytes(data[position : position + 8], "little")


def is_code(code: bytes) -> bool:
    """Whether four bytes can be a four-letter code: printable ASCII, or the copyright sign that QuickTime allows."""
    return _CODE.fullmatch(code) is not None


def code_text(code: bytes) -> str:
    """A four-letter code for people: `moov`; what is not printable as `\\xNN`."""
    return inert(code.decode("ascii", "backslashreplace"))


def is_zero(data: bytes) -> bool:
    """Whether there are bytes and all are zero."""
    return bool(data) and not data.strip(b"\0")


def zeros_from(source: Source, offset: int) -> bool:
    """Whether everything from `offset` to the end is zero, as far as looked: its first and its last MiB."""
    length = source.size - offset
    if length <= 0 or not is_zero(source.at(offset, _FIRST_LOOK)) or not is_zero(source.at(source.size - 1, 1)):
        return False
    head = source.at(offset, LONG_ZERO_TAIL)
    tail = source.at(max(offset, source.size - LONG_ZERO_TAIL), LONG_ZERO_TAIL)
    return is_zero(head) and is_zero(tail)


def ends_in_zeros(source: Source, end: int | None = None) -> bool:
    """Whether the last MiB before `end` (the end of the file) is zero throughout. One short read when it is not."""
    end = source.size if end is None else min(end, source.size)
    if end < LONG_ZERO_TAIL or not is_zero(source.at(end - _FIRST_LOOK, _FIRST_LOOK)):
        return False
    return is_zero(source.at(end - LONG_ZERO_TAIL, LONG_ZERO_TAIL))
