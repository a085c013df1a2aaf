"""DPX frames. SMPTE ST 268-1: file information header (section 5), image information header (section 6), packing."""

from __future__ import annotations

import struct

from rollproof.media.problems import Problem
from rollproof.media.source import Source

NAME = "DPX"
_COMPONENTS = {50: 3, 51: 4, 52: 4, 100: 2, 101: 3, 102: 3, 103: 4}
"""Components per pixel by descriptor; 1 for the single channels."""

_UNDEFINED = 0xFFFFFFFF


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is DPX."""
    return head[:4] in (b"SDPX", b"XPDS")


def examine(source: Source) -> list[Problem]:
    """What is wrong with the structure of one frame."""
    head = source.at(0, 1664)
    if not recognises(head):
        return [Problem("damaged", "no DPX mark at its beginning", "the beginning of this frame is damaged")]
    if len(head) < 1408:
        return [Problem("damaged", f"only {source.size:,} bytes of a header", "this frame was never finished")]
    order = ">" if head[:4] == b"SDPX" else "<"
    data_at, said = struct.unpack(order + "I8xI", head[4:20])
    elements, wide, high = struct.unpack(order + "HII", head[770:780])
    if not 0 < wide < 1 << 20 or not 0 < high < 1 << 20 or elements > 8:
        detail = f"a picture of {wide:,} by {high:,} in {elements} parts"
        return [Problem("damaged", detail, "the header of this frame is damaged")]
    end = data_at
    for element in range(max(elements, 1)):
        fields = head[780 + element * 72 : 780 + element * 72 + 72]
        descriptor, bits = fields[20], fields[23]
        packing, encoding, place = struct.unpack(order + "HHI", fields[24:32])
        place = data_at if place in (0, _UNDEFINED) else place
        smallest = 1 if encoding else _picture_bytes(wide, high, _COMPONENTS.get(descriptor, 1), bits, packing)
        end = max(end, place + smallest)
    if end > source.size:
        detail = f"the picture needs {end:,} bytes; the file ends at {source.size:,}"
        return [Problem("damaged", detail, "a part of this frame is missing")]
    if said not in (0, _UNDEFINED) and said > source.size:
        detail = f"the header says {said:,} bytes; the file has {source.size:,}"
        return [Problem("odd", detail, "the picture is whole; something after it may be missing")]
    return []


def _picture_bytes(wide: int, high: int, components: int, bits: int, packing: int) -> int:
    """The least that a picture takes: whole 32-bit words per line only where components are filled up to words."""
    if bits == 10 and packing in (1, 2):
        return (wide * components * high + 2) // 3 * 4
    if bits == 12 and packing in (1, 2):
        return wide * components * high * 2
    return wide * components * high * bits // 8
