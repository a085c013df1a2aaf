"""Segmented camera raw (r3d): a file of blocks, each with its length and a four-letter code.

Block header: length (32-bit big-endian, header included), code. The first block is `RED1` or `RED2`, frames and sound
are `REDV` and `REDA` and so on, and a finished segment ends with a block of 56 bytes that tells where its tables are.
"""

from __future__ import annotations

from rollproof.media.problems import CannotSay, Problem
from rollproof.media.reading import be32, code_text, is_code
from rollproof.media.source import Source

NAME = "R3D"
_FIRST = (b"RED1", b"RED2")
_LAST = (b"REOB", b"REOF", b"REOS")
_LAST_BYTES = 56
_FEW_BLOCKS = 8
_MOST_BLOCKS = 4000


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is such a segment."""
    return head[4:8] in _FIRST


def examine(source: Source) -> list[Problem]:
    """What is wrong with one segment: its first block, and its closing block or else the walk to its end."""
    head = source.at(0, 8)
    if not recognises(head):
        return [
            Problem("damaged", "the first block has no mark of its kind", "the beginning of this segment is damaged")
        ]
    closing = source.at(source.size - _LAST_BYTES, 8)
    closed = closing[4:8] in _LAST and be32(closing) == _LAST_BYTES
    # where a closing block vouches for the end, a few blocks at the beginning are enough
    position = 0
    for _ in range(_FEW_BLOCKS if closed else _MOST_BLOCKS):
        block = source.at(position, 8)
        length = be32(block)
        if len(block) < 8 or not is_code(block[4:8]) or length < 8:
            detail = f"the bytes from {position:,} on are no block"
            return [Problem("damaged", detail, "the end of this segment was never written or is damaged")]
        position += length
        if position > source.size:
            detail = f"block {code_text(block[4:8])} says it ends at {position:,}; the file ends at {source.size:,}"
            return [Problem("damaged", detail, "this segment ends too early: its last frames are not on this medium")]
        if position == source.size:
            return [] if closed else [_not_closed()]
    if closed:
        return []
    raise CannotSay(f"no closing block, and more than {_MOST_BLOCKS:,} blocks: only the beginning was looked at")


def _not_closed() -> Problem:
    return Problem(
        "odd",
        "the last block is whole, but no closing block follows",
        "the take may have been broken off: compare its length with the camera report",
    )
