"""Single frames of camera raw, ari and arx. SMPTE RDD 30: header (mark, byte order, header length, width, height).

The picture of an ari frame is 12 bits a pixel, packed; that of an arx frame is compressed without loss, so only its
header and its size are judged.
"""

from __future__ import annotations

from rollproof.media.problems import Problem
from rollproof.media.reading import is_zero, le32
from rollproof.media.source import Source

NAME = "ARI"
_MARK = b"ARRI"
_LITTLE = 0x12345678


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is such a frame."""
    return head[:4] == _MARK


def examine(source: Source, *, compressed: bool = False) -> list[Problem]:
    """What is wrong with one frame; `compressed` for arx."""
    head = source.at(0, 28)
    if not recognises(head):
        return [Problem("damaged", "no mark of its kind at its beginning", "the beginning of this frame is damaged")]
    order = "little" if le32(head, 4) == _LITTLE else "big"
    data_at, _, _, wide, high = (int.from_bytes(head[at : at + 4], order) for at in (8, 12, 16, 20, 24))  # type: ignore[arg-type]
    if not 28 <= data_at <= 1 << 20 or not 0 < wide < 1 << 16 or not 0 < high < 1 << 16:
        detail = f"a header of {data_at:,} bytes, a picture of {wide:,} by {high:,}"
        return [Problem("damaged", detail, "the header of this frame is damaged")]
    needs = data_at + (1 if compressed else wide * high * 12 // 8)
    if source.size < needs:
        detail = f"the frame needs {needs:,} bytes; the file ends at {source.size:,}"
        return [Problem("damaged", detail, "a part of this frame is missing")]
    if compressed and is_zero(source.at(max(data_at, source.size - 4096), 4096)):
        return [Problem("damaged", "its end is nothing but zeros", "the end of this frame was never written")]
    return []
