"""JPEG stills and thumbnails: from the start of the image to its end. ISO/IEC 10918-1, annex B (markers, segments)."""

from __future__ import annotations

from rollproof.media.problems import CannotSay, Problem
from rollproof.media.reading import be16
from rollproof.media.source import Source

NAME = "JPEG"
_END = b"\xff\xd9"
_MOST_SEGMENTS = 1000
_PIECE = 256 * 1024
_LONGEST_SCAN = 16 * 1024 * 1024


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is JPEG."""
    return head[:3] == b"\xff\xd8\xff"


def examine(source: Source) -> list[Problem]:
    """What is wrong with one picture: its segments, and whether it has an end.

    What follows the end (padding, a second picture, a short film) is not judged.
    """
    if not recognises(source.at(0, 3)):
        return [Problem("damaged", "no JPEG mark at its beginning", "the beginning of this picture is damaged")]
    scan = _scan(source)
    if scan is None:
        return [Problem("damaged", "the segments before the picture are not whole", "this picture is cut off")]
    if source.at(max(scan, source.size - 4096), 4096).rstrip(b"\0").endswith(_END):
        return []
    # an end marker cannot occur inside the compressed picture (B.1.1.5), so the first one is its end
    position, last = scan, b""
    while position < min(source.size, scan + _LONGEST_SCAN):
        piece = source.at(position, _PIECE)
        if not piece or _END in last + piece:
            break
        position, last = position + len(piece), piece[-1:]
    else:
        if position < source.size:
            raise CannotSay("no end of the picture within the first 16 MiB")
        return [Problem("damaged", f"no end marker in {source.size:,} bytes", "the end of this picture is missing")]
    return []


def _scan(source: Source) -> int | None:
    """Where the compressed picture begins (after SOS); None where the segments before it are not whole."""
    position = 2
    for _ in range(_MOST_SEGMENTS):
        head = source.at(position, 4)
        if len(head) < 4 or head[0] != 0xFF:
            return None
        if head[1] == 0xFF:
            position += 1  # any number of fill bytes may precede a marker
            continue
        if head[1] in (0x01, *range(0xD0, 0xD8)):
            position += 2
            continue
        position += 2 + be16(head, 2)
        if head[1] == 0xDA:
            return position if position < source.size else None
    return None
