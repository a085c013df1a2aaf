"""What can happen to a file, done to sound ones; and, by name, what no look at structure can see.

Every damage is a `Case`. `unseen` is empty, or the reason why this damage may go unnoticed: a look without decoding has
limits, and they are counted, not hidden.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

RANDOM_CUTS = 200
_SEED = 260514

PADDING_LOST = "only padding is gone"
WHOLE_FRAGMENT = "cut between two whole fragments of a recording that may end anywhere"
WHOLE_PACKET = "cut between two packets of a stream that has no end mark"
WHOLE_BLOCK = "cut between two blocks of a segment: odd, for the closing block is gone"
NO_LENGTH = "a compressed frame that does not say how long it is: its neighbours tell (sequence check)"
SILENCE = "zeros are silence"
BLACK = "zeros are a picture"
INSIDE_ESSENCE = "zeros inside compressed essence: the structure around them is whole"
OPTIONAL_TABLE = "a table that the standard does not demand: odd, for recorders write it"
DESCRIPTION = "zeros in the description that follows the tables of the index"
NOT_USED = "nothing of the clip depends on this size"


@dataclass(frozen=True, slots=True)
class Case:
    """A damaged file: what was done, the bytes, and the reason why it may not be seen."""

    what: str
    data: bytes
    unseen: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """A box, chunk, block, packet or partition: where it starts and ends, its code, where its size stands and how."""

    start: int
    end: int
    code: bytes
    size_at: int = 0
    size_format: str = ""


def suffix(name: str) -> str:
    """What the name says, lower case."""
    return name.rpartition(".")[2].lower()


KINDS = {
    "mov, mp4, m4a, braw, crm": "mp4 m4v mov m4a 3gp braw crm",
    "MXF": "mxf",
    "WAV, BWF, RF64": "wav rf64",
    "Wave64": "w64",
    "AIFF": "aiff aif",
    "AVI": "avi",
    "MPEG transport stream": "mts m2t",
    "segmented raw (r3d)": "r3d",
    "TIFF, DNG": "tif tiff dng",
    "DPX": "dpx",
    "OpenEXR": "exr",
    "ari, arx": "ari arx",
    "JPEG": "jpg jpeg thm",
    "XML": "xml",
}
"""The rows of the table, and the suffixes in each."""


def kind_of(name: str) -> str:
    """The row a file belongs to."""
    return next(kind for kind, suffixes in KINDS.items() if suffix(name) in suffixes.split())


# --- where the parts are (the tests' own reading, so that a parser's mistake is not its own judge)


def boxes(data: bytes) -> list[Part]:
    """Top-level boxes."""
    found: list[Part] = []
    position = 0
    while position + 8 <= len(data):
        size, code = struct.unpack_from(">I4s", data, position)
        where, how = position, ">I"
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, position + 8)
            where, how = position + 8, ">Q"
        found.append(Part(position, position + size, code, where, how))
        position += size
    return found


def inner_boxes(data: bytes, code: bytes = b"moov") -> list[int]:
    """Starts of the boxes directly inside the first `moov`."""
    outer = next((part for part in boxes(data) if part.code == code), None)
    if outer is None:
        return []
    starts, position = [], outer.start + 8
    while position + 8 <= outer.end:
        starts.append(position)
        position += max(struct.unpack_from(">I", data, position)[0], 8)
    return starts


def chunks(data: bytes, order: str, start: int = 12) -> list[Part]:
    """RIFF or IFF chunks."""
    found: list[Part] = []
    position = start
    while position + 8 <= len(data):
        code, size = struct.unpack_from(order + "4sI", data, position)
        if size == 0xFFFFFFFF:
            (size,) = struct.unpack_from("<Q", data, 28)
        found.append(Part(position, position + 8 + size, code, position + 4, order + "I"))
        position += 8 + size + size % 2
    return found


def guid_chunks(data: bytes) -> list[Part]:
    """Wave64 chunks."""
    found: list[Part] = []
    position = 40
    while position + 24 <= len(data):
        (size,) = struct.unpack_from("<Q", data, position + 16)
        found.append(Part(position, position + size, data[position : position + 4], position + 16, "<Q"))
        position += size + -size % 8
    return found


def klvs(data: bytes) -> list[Part]:
    """All KLVs of an MXF file."""
    found: list[Part] = []
    position = 0
    while position + 17 <= len(data):
        first = data[position + 16]
        count = first & 0x7F if first & 0x80 else 0
        size = int.from_bytes(data[position + 17 : position + 17 + count], "big") if count else first
        end = position + 17 + count + size
        found.append(Part(position, end, data[position : position + 16]))
        position = end
    return found


def blocks(data: bytes) -> list[Part]:
    """Blocks of segmented raw."""
    found: list[Part] = []
    position = 0
    while position + 8 <= len(data):
        size, code = struct.unpack_from(">I4s", data, position)
        found.append(Part(position, position + size, code, position, ">I"))
        position += size
    return found


def parts_of(name: str, data: bytes) -> list[Part]:
    """The parts of a file, for any kind."""
    kind = suffix(name)
    if kind in KINDS["mov, mp4, m4a, braw, crm"].split():
        return boxes(data)
    if kind == "mxf":
        return klvs(data)
    if kind in ("wav", "rf64", "avi"):
        return chunks(data, "<")
    if kind in ("aiff", "aif"):
        return chunks(data, ">")
    if kind == "w64":
        return guid_chunks(data)
    if kind == "r3d":
        return blocks(data)
    if kind in ("mts", "m2t"):
        length = 192 if kind == "mts" else 188
        return [Part(start, start + length, b"") for start in range(0, len(data), length)]
    return []


# --- the damages


def cases(name: str, data: bytes) -> Iterator[Case]:
    """Every damage for one file."""
    yield from _cuts(name, data)
    yield from _never_finished(name, data)
    yield from _zeroed(name, data)
    yield from _patched(name, data)


def _cuts(name: str, data: bytes) -> Iterator[Case]:
    parts = parts_of(name, data)
    borders = {part.start for part in parts} | set(inner_boxes(data))
    if suffix(name) in ("mts", "m2t"):
        borders = set(sorted(borders)[:: max(len(borders) // 20, 1)])
    picked = random.Random(_SEED)
    at_random = {picked.randrange(1, len(data)) for _ in range(RANDOM_CUTS)}
    for what, places in (("cut at a border", borders - {0}), ("cut at a random place", at_random - borders)):
        for place in sorted(places):
            if place < len(data):
                yield Case(what, data[:place], _cut_unseen(name, data, parts, place))


def _cut_unseen(name: str, data: bytes, parts: list[Part], place: int) -> str:
    kind = suffix(name)
    whole = {part.end for part in parts}
    rest = data[place:]
    if parts and parts[-1].code == b"mfra" and place >= parts[-1].start:
        return OPTIONAL_TABLE
    if "fragmented" in name and any(0 <= place - part.end < 4 for part in parts if part.code == b"mdat"):
        return WHOLE_FRAGMENT
    if kind in KINDS["mov, mp4, m4a, braw, crm"].split() and parts and _only_filler(parts, place):
        return PADDING_LOST
    if kind in ("wav", "rf64", "aif", "aiff", "avi", "w64") and len(rest) < 8 and not rest.strip(b"\0") and (
        place >= parts[-1].end
    ):  # fmt: skip
        return PADDING_LOST
    if kind in ("mts", "m2t") and place in whole:
        return WHOLE_PACKET
    if kind == "r3d" and place in whole and place > parts[0].start:
        return WHOLE_BLOCK
    if kind == "mxf" and _only_table(parts, place):
        return OPTIONAL_TABLE
    if kind == "arx" and place > 4096:
        return NO_LENGTH
    if kind == "xml" and not rest.strip():
        return PADDING_LOST
    return ""


def _only_table(parts: list[Part], place: int) -> bool:
    """Whether nothing but the random index pack and padding before it is gone or changed from `place` on."""
    fill, index = bytes.fromhex("0301021001000000"), bytes.fromhex("0d01020101110100")
    lost = [part for part in parts if part.end > place]
    return lost[0].start == place and lost[-1].code[8:] == index and all(part.code[8:] == fill for part in lost[:-1])


def _only_filler(parts: list[Part], place: int) -> bool:
    """Whether everything from `place` on lies in padding boxes."""
    return all(part.code in (b"free", b"skip") for part in parts if part.end > place)


def _never_finished(name: str, data: bytes) -> Iterator[Case]:
    """The recorder died: the header keeps its first form, the index is not there."""
    kind = suffix(name)
    parts = parts_of(name, data)
    if kind in KINDS["mov, mp4, m4a, braw, crm"].split():
        yield from _unfinished_boxes(name, data, parts)
    elif kind == "mxf":
        yield from _unfinished_partitions(data, parts)
    elif kind in ("wav", "rf64", "aiff", "aif", "avi"):
        order = ">" if kind.startswith("aif") else "<"
        for value in (0, 0xFFFFFFFF):
            changed = bytearray(data)
            struct.pack_into(order + "I", changed, 4, value)
            for part in parts:
                if part.code in (b"data", b"SSND") or (kind == "avi" and part.code == b"LIST"):
                    struct.pack_into(order + "I", changed, part.size_at, value)
            if kind == "rf64":
                changed[20:36] = bytes(16) if value == 0 else b"\xff" * 16
            yield Case("header never finished", bytes(changed))
    elif kind == "w64":
        changed = bytearray(data)
        struct.pack_into("<Q", changed, 16, 0)
        struct.pack_into("<Q", changed, next(part.size_at for part in parts if part.code == b"data"), 24)
        yield Case("header never finished", bytes(changed))
    elif kind == "exr":
        yield Case("header never finished", _without_table(data))
    elif kind in ("tif", "tiff", "dng"):
        place = 8 if data[2:4] in (b"+\0", b"\0+") else 4
        yield Case("header never finished", data[:place] + bytes(place) + data[place * 2 :])
    elif kind == "r3d":
        yield Case("index removed", data[: parts[-1].start], WHOLE_BLOCK)
        yield Case("header never finished", bytes(512) + data[512:])
    elif kind in ("dpx", "ari", "arx", "jpg", "jpeg", "thm"):
        yield Case("header never finished", bytes(512) + data[512:])
    elif kind in ("mts", "m2t"):
        yield Case("header never finished", bytes(2048) + data[2048:])
    elif kind == "xml":
        yield Case("header never finished", data[: data.rindex(b"</Contents>")])


def _unfinished_boxes(name: str, data: bytes, parts: list[Part]) -> Iterator[Case]:
    moov = next(part for part in parts if part.code == b"moov")
    yield Case(
        "index removed", data[: moov.start] + b"".join(data[p.start : p.end] for p in parts if p.start > moov.start)
    )
    yield Case("index removed", data[: moov.start + 4] + b"free" + data[moov.start + 8 :])
    yield Case("index removed", data[: moov.start + 8] + bytes(moov.end - moov.start - 8) + data[moov.end :])
    media = [part for part in parts if part.code == b"mdat"]
    before_index = media[-1].start < moov.start
    for value in (0, 8):
        changed = bytearray(data[: moov.start] if before_index else data)
        if not before_index:
            continue
        if media[-1].size_format == ">Q":
            struct.pack_into(">Q", changed, media[-1].size_at, value + 8 if value else 16)
        else:
            struct.pack_into(">I", changed, media[-1].size_at, value)
        yield Case("header never finished", bytes(changed))


def _unfinished_partitions(data: bytes, parts: list[Part]) -> Iterator[Case]:
    packs = [part for part in parts if part.code[:13] == bytes.fromhex("060e2b34020501010d01020101")]
    packs = [part for part in packs if part.code[13] in (2, 3, 4)]
    footer = next(part for part in packs if part.code[13] == 4)
    header = bytearray(data[: footer.start])
    header[14] = 1
    value = packs[0].start + 17 + (data[16] & 0x7F if data[16] & 0x80 else 0)
    header[value + 24 : value + 32] = bytes(8)
    yield Case("header never finished", bytes(header))
    yield Case("index removed", data[: footer.start])
    both_open = bytearray(data)
    both_open[14], both_open[footer.start + 14] = 1, 2
    yield Case("header never finished", bytes(both_open))
    index = parts[-1]
    yield Case("index removed", data[: index.start], OPTIONAL_TABLE)


def _without_table(data: bytes) -> bytes:
    """An EXR whose table of offsets is still all zeros."""
    first = data.index(b"\0", 8)
    # the table is the only stretch of ascending or descending 64-bit numbers that all point behind it
    for start in range(first, len(data) - 16):
        (number,) = struct.unpack_from("<Q", data, start)
        if start < number < len(data):
            count, place = 0, start
            while place + 8 <= len(data) and start < struct.unpack_from("<Q", data, place)[0] < len(data):
                count, place = count + 1, place + 8
            if count >= 2:
                return data[:start] + bytes(count * 8) + data[start + count * 8 :]
    raise AssertionError("no table")


_UNCOMPRESSED = ("uncompressed.mov", "frame.tif", "frame-grey.tif", "frame-big.tif", "frame-strip.dng")


def _zeroed(name: str, data: bytes) -> Iterator[Case]:
    for share in (0.01, 0.1, 0.5):
        length = max(int(len(data) * share), 64)
        if length < len(data):
            yield Case("tail zeroed", data[:-length] + bytes(length), _zeros_unseen(name, data, length))


def _zeros_unseen(name: str, data: bytes, length: int) -> str:
    """Zeros at the end are seen where an index, a mark or packets stand there, or where the last picture begins."""
    kind = suffix(name)
    if kind in ("wav", "rf64", "w64", "aiff", "aif") or name.startswith("sound"):
        return SILENCE
    if kind in ("dpx", "ari") or name in _UNCOMPRESSED:
        return BLACK
    if kind == "m2t" and length < 188:
        return INSIDE_ESSENCE
    if kind in ("tif", "tiff", "dng", "exr", "arx"):
        return INSIDE_ESSENCE
    parts = parts_of(name, data)
    if parts and (parts[-1].code == b"mdat" or "fragmented" in name):
        return INSIDE_ESSENCE
    if kind == "mxf" and length < 400:
        return OPTIONAL_TABLE
    if parts and parts[-1].code == b"moov" and length < 150:
        return DESCRIPTION
    return ""


def _patched(name: str, data: bytes) -> Iterator[Case]:
    """Sizes made larger: a few bytes, twice, as much as fits."""
    changes: tuple[Callable[[int], int], ...] = (
        lambda size: size + 10,
        lambda size: size * 2 + 64,
        lambda _: 0x7FFFFFF0,
    )
    for part in parts_of(name, data):
        if not part.size_format:
            continue
        (size,) = struct.unpack_from(part.size_format, data, part.size_at)
        if size in (0, 0xFFFFFFFF):
            continue
        for change in changes:
            changed = bytearray(data)
            struct.pack_into(part.size_format, changed, part.size_at, change(size))
            yield Case("size patched", bytes(changed), _patch_unseen(name, part, data))


def _patch_unseen(name: str, part: Part, data: bytes) -> str:
    if part.code == b"mdat" and data[part.end + 4 : part.end + 8] == b"mfra":
        return OPTIONAL_TABLE
    if suffix(name) == "r3d":
        return NOT_USED  # the closing block vouches for the whole
    if part.code in (b"free", b"skip", b"wide"):
        return NOT_USED  # the index goes by offsets, not by the sizes of boxes
    if suffix(name) in ("avi", "wav", "rf64", "aiff", "aif") and part.code not in (b"data", b"SSND"):
        return NOT_USED
    return ""
