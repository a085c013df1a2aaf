"""Boxes of the ISO base media format: ISO/IEC 14496-12, 4.2 (size, type, 64-bit size, size 0 for "to the end").

QuickTime writes the same and calls them atoms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rollproof.media.reading import be32, be64, is_code
from rollproof.media.source import Source

MOST_BOXES = 4000
"""How many boxes one walk looks at. A fragmented recording has two for every second or so."""


@dataclass(frozen=True, slots=True)
class Box:
    """One box: where it starts, where its payload starts, where it says it ends (perhaps past the end of the file)."""

    code: bytes
    start: int
    payload: int
    end: int
    to_the_end: bool = False
    """Size 0: it ends where the file ends."""


@dataclass(frozen=True, slots=True)
class Walk:
    """What a walk over neighbouring boxes found, and why it stopped at `stopped` (`end` when it came all the way)."""

    boxes: tuple[Box, ...]
    stopped: int
    end: int
    why: str
    """`end`, `no box` (these bytes are no box header), `too many`."""


def read_box(source: Source, start: int, end: int) -> Box | None:
    """The box at `start`, in a parent that ends at `end`; None where the bytes are no box header."""
    head = source.at(start, min(16, end - start))
    size, code = be32(head), head[4:8]
    if len(head) < 8 or not is_code(code):
        return None
    if size == 1:
        large = be64(head, 8)
        return Box(code, start, start + 16, start + large) if len(head) == 16 and large >= 16 else None
    if size == 0:
        return Box(code, start, start + 8, end, to_the_end=True)
    return Box(code, start, start + 8, start + size) if size >= 8 else None


def walk(source: Source, start: int, end: int, *, most: int = MOST_BOXES) -> Walk:
    """All boxes from `start` to `end`. The last one may say that it ends past `end`; nothing is descended into."""
    found: list[Box] = []
    position = start
    while position < end:
        if len(found) >= most:
            return Walk(tuple(found), position, end, "too many")
        box = read_box(source, position, end)
        if box is None:
            return Walk(tuple(found), position, end, "no box")
        found.append(box)
        position = box.end
    return Walk(tuple(found), min(position, end), end, "end")


def children(source: Source, parent: Box, *, skip: int = 0) -> Iterator[Box]:
    """The boxes inside one, as far as they fit inside it (`skip`: bytes of payload before the first).

    A zero size ends the list: QuickTime closes some lists with four zero bytes.
    """
    for box in walk(source, parent.payload + skip, min(parent.end, source.size), most=1000).boxes:
        if box.end > parent.end or box.to_the_end:
            return
        yield box


def child(source: Source, parent: Box | None, *codes: bytes) -> Box | None:
    """Descend along `codes`: the first box of each code; None where one is missing."""
    for code in codes:
        if parent is None:
            return None
        parent = next((box for box in children(source, parent) if box.code == code), None)
    return parent
