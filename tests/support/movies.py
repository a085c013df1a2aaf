"""A movie that is whole as far as its structure shows, of any size: what a card of a test holds that may be wiped."""

from __future__ import annotations

from media.by_hand import box, movie, track

SMALLEST = 700
"""Bytes; below this there is no room for an index."""


def whole_movie(size: int, unit: bytes) -> bytes:
    """`size` bytes: an index in front, then media data made of `unit` over and over. ValueError below `SMALLEST`."""
    if size < SMALLEST:
        raise ValueError(f"no movie has only {size} bytes")
    start = box(b"ftyp", b"qt  \0\0\0\0qt  ")
    length = size - len(start) - len(movie(track([0], [0]))) - 8
    offset = size - length
    data = (unit * (length // len(unit) + 1))[:length]
    return start + movie(track([length], [offset])) + box(b"mdat", data)
