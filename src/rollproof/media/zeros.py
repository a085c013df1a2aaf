"""What long stretches of zeros inside the essence of a clip mean.

Compressed pictures never hold a megabyte of zeros in a row: a card that fails may answer a read with zeros, and gives
the same answer twice. What may well be zeros is spared: whatever is no media data (boxes of free space), uncompressed
pictures (black), uncompressed sound beside the picture (silence, up to two seconds of it), and the filling that some
recorders put after a frame to make all frames one size. Where the size of a frame is not known nothing is said.
"""

from __future__ import annotations

from collections.abc import Iterable

from rollproof.media import iso, mxf, transport
from rollproof.media.containers import HEAD_BYTES, suffix_of
from rollproof.media.facts_model import Facts
from rollproof.media.iso_boxes import walk
from rollproof.media.problems import Problem
from rollproof.media.source import Source

SHORTEST_BYTES = 1 << 20
_PLAIN_PICTURES = frozenset(
    (
        "rawvideo", "v210", "v210x", "v308", "v408", "v410", "r10k", "r210", "avrp", "avui", "ayuv", "yuv4", "y41p",
        "012v", "bitpacked", "qtrle", "msrle", "png",
    )
)  # fmt: skip
"""Codecs in which black is zeros, by the media library's names."""
_SAMPLE_BYTES = 4
_TRANSPORT = frozenset((b"mts", b"m2ts", b"m2t"))
_MEANING = (
    "a long stretch of the picture data is nothing but zeros: a failing card or reader may answer so, and says the same"
    " when it is read twice"
)


def least_bytes(facts: Facts, essence_bytes: int) -> int | None:
    """How long a stretch of zeros must be to mean something in a clip of these facts and so many bytes of essence;
    None where it cannot be told."""
    if not facts.width or not facts.codec or facts.codec.lower() in _PLAIN_PICTURES:
        return None
    if not facts.duration_seconds or not facts.frame_rate:
        return None
    frames = float(facts.duration_seconds * facts.frame_rate)
    frame_bytes = essence_bytes / max(frames, 1.0)
    sound_bytes = (facts.channels or 0) * (facts.sample_rate or 0) * _SAMPLE_BYTES
    return max(SHORTEST_BYTES, int(2 * frame_bytes), 2 * sound_bytes)


def zero_problem(source: Source, path: bytes, stretches: Iterable[tuple[int, int]], least: int) -> Problem | None:
    """The problem that stretches of zeros (first byte, end) in a file are, or None when they may well be meant."""
    long = [(start, end) for start, end in stretches if end - start >= least]
    if not long:
        return None
    head = source.at(0, HEAD_BYTES)
    if iso.recognises(head):
        data = [box for box in walk(source, 0, source.size).boxes if box.code == b"mdat"]
        long = [(start, end) for start, end in long if any(box.payload <= start < box.end for box in data)]
    elif not (mxf.recognises(head) or (suffix_of(path) in _TRANSPORT and transport.recognises(head))):
        return None
    if not long:
        return None
    start, end = max(long, key=lambda each: each[1] - each[0])
    more = f", and {len(long) - 1:,} more such" if len(long) > 1 else ""
    return Problem("odd", f"{end - start:,} bytes or more from byte {start:,} on{more}", _MEANING)
