"""OpenEXR frames: the header's attributes and the table of chunk offsets.

OpenEXR file layout: magic number, version field, header, offset tables, chunks. The table is written when the file is
finished; offsets of zero are chunks that never came.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from rollproof.media.problems import CannotSay, Problem
from rollproof.media.reading import le32
from rollproof.media.source import Source

NAME = "OpenEXR"
_MAGIC = b"\x76\x2f\x31\x01"
_TILED, _DEEP, _MANY_PARTS = 0x200, 0x800, 0x1000
_SHORT_HEADER = 16 * 1024
_LONGEST_HEADER = 1024 * 1024
_MOST_ATTRIBUTES = 1000
_MOST_PARTS = 64
_MOST_CHUNKS = 131072
_LINES = (1, 1, 1, 16, 32, 16, 32, 32, 32, 256)
"""Lines per chunk by compression: none, RLE, ZIPS, ZIP, PIZ, PXR24, B44, B44A, DWAA, DWAB."""

_CUT_SHORT = "a part of this frame is missing"
_NEVER_FINISHED = "this frame was never finished"


@dataclass(slots=True)
class _Part:
    """The attributes of one part, as raw bytes by name."""

    attributes: dict[bytes, bytes] = field(default_factory=dict)

    def chunks(self, *, tiled: bool) -> int:
        """How many chunks this part has. Raises CannotSay where that is told in a way we do not know."""
        said = self.attributes.get(b"chunkCount", b"")
        if len(said) == 4:
            return le32(said)
        window = self.attributes.get(b"dataWindow", b"")
        if len(window) != 16:
            return 0
        left, top, right, bottom = struct.unpack("<4i", window)
        wide, high = int(right - left + 1), int(bottom - top + 1)
        if wide <= 0 or high <= 0:
            return 0
        if tiled:
            tiles = self.attributes.get(b"tiles", b"")
            if len(tiles) != 9 or tiles[8] & 0x0F:
                raise CannotSay("tiles in several resolutions: only the header was looked at")
            across, down = le32(tiles), le32(tiles, 4)
            return -(-wide // max(across, 1)) * -(-high // max(down, 1))
        compression = self.attributes.get(b"compression", b"\xff")
        if compression[0] >= len(_LINES):
            raise CannotSay("a compression of another generation: only the header was looked at")
        return -(-high // _LINES[compression[0]])


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is OpenEXR."""
    return head[:4] == _MAGIC


def examine(source: Source) -> list[Problem]:
    """What is wrong with the structure of one frame."""
    head = source.at(0, 8)
    if not recognises(head):
        return [Problem("damaged", "no OpenEXR mark at its beginning", "the beginning of this frame is damaged")]
    flags = le32(head, 4)
    read = _header(source, many=bool(flags & _MANY_PARTS))
    if read is None:
        return [Problem("damaged", "the header is not whole", _NEVER_FINISHED)]
    parts, table_at = read
    if any(not part.attributes.get(b"dataWindow") or not part.attributes.get(b"compression") for part in parts):
        return [Problem("damaged", "the header does not say how large the picture is", "the header is damaged")]
    counts = [part.chunks(tiled=bool(flags & _TILED)) for part in parts]
    total = sum(counts)
    if total == 0:
        return [Problem("damaged", "the header names an empty picture", "the header of this frame is damaged")]
    if table_at + total * 8 > source.size:
        detail = f"the table of {total:,} chunks at byte {table_at:,} is not whole"
        return [Problem("damaged", detail, _CUT_SHORT)]
    looked = min(total, _MOST_CHUNKS)
    data = source.at(table_at, looked * 8)
    offsets = struct.unpack(f"<{len(data) // 8}Q", data[: len(data) // 8 * 8])
    if not all(offsets):
        detail = f"{sum(1 for offset in offsets if not offset):,} of {total:,} chunks were never written"
        return [Problem("damaged", detail, _NEVER_FINISHED)]
    if min(offsets) < table_at + total * 8:
        return [Problem("damaged", f"a chunk at byte {min(offsets):,}, inside the header", "the header is damaged")]
    return _last_chunk(source, max(offsets), flags)


def _header(source: Source, *, many: bool) -> tuple[list[_Part], int] | None:
    """All parts' attributes and where the offset tables begin; None where the header is not whole."""
    for most in (_SHORT_HEADER, _LONGEST_HEADER):
        found = _parts(source.at(8, most), many=many)
        if found is not None:
            return found
    return None


def _parts(data: bytes, *, many: bool) -> tuple[list[_Part], int] | None:
    parts: list[_Part] = []
    position = 0
    for _ in range(_MOST_PARTS):
        part = _Part()
        for _ in range(_MOST_ATTRIBUTES):
            if data[position : position + 1] == b"\0":
                position += 1
                break
            name_end = data.find(b"\0", position, position + 256)
            type_end = data.find(b"\0", name_end + 1, name_end + 257) if name_end > 0 else -1
            if type_end < 0 or type_end + 5 > len(data):
                return None
            size = le32(data, type_end + 1)
            value = type_end + 5
            if value + size > len(data):
                return None
            part.attributes[data[position:name_end]] = data[value : value + size]
            position = value + size
        else:
            return None
        if not part.attributes:
            # the empty header that closes the list of parts
            return (parts, 8 + position) if parts else None
        parts.append(part)
        if not many:
            return parts, 8 + position
    return None


def _last_chunk(source: Source, place: int, flags: int) -> list[Problem]:
    """Whether the chunk that starts last ends inside the file."""
    if flags & (_DEEP | _MANY_PARTS):
        ends = place + 8  # what stands before the data depends on the kind of part
    else:
        before = 16 if flags & _TILED else 4
        size = source.at(place + before, 4)
        ends = place + before + 4 + le32(size) if len(size) == 4 else source.size + 1
        if le32(size) == 0 and ends <= source.size:
            return [Problem("damaged", f"the last chunk, at byte {place:,}, is empty", "the end was never written")]
    if ends <= source.size:
        return []
    detail = f"the last chunk, at byte {place:,}, does not end inside the file ({source.size:,} bytes)"
    return [Problem("damaged", detail, _CUT_SHORT)]
