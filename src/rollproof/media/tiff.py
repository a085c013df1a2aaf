"""TIFF, BigTIFF and DNG: the chain of directories, and where they say the picture is.

TIFF 6.0, sections 2 (header, directory), 3 (strips), 15 (tiles); BigTIFF (64-bit offsets); Adobe DNG 1.7 (SubIFDs).
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from rollproof.media.problems import Problem
from rollproof.media.reading import is_zero
from rollproof.media.source import Source

NAME = "TIFF"
_MOST_DIRECTORIES = 64
_MOST_ENTRIES = 4096
_MOST_VALUES = 65536
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_TYPE_CODES = {1: "B", 3: "H", 4: "I", 13: "I", 16: "Q", 18: "Q"}

_COMPRESSION = 259
_STRIPS, _STRIP_BYTES = 273, 279
_TILES, _TILE_BYTES = 324, 325
_SUB_DIRECTORIES = 330
_PLAIN = 1

_CUT_SHORT = "the file ends too early: a part of this picture is not on this medium"
_BROKEN = "the directory of this picture is damaged: programs will refuse it"


class _Form:
    """Byte order and widths: classic TIFF or BigTIFF."""

    def __init__(self, order: str, *, big: bool) -> None:
        self.order = order
        self.big = big
        self.offset_code = order + ("Q" if big else "I")
        """How an offset is packed."""
        self.offset_bytes = 8 if big else 4
        """Its length."""
        self.entry = struct.Struct(order + ("HHQ8s" if big else "HHI4s"))
        """A field: tag, type, number of values, and the values or their offset."""
        self.offset = struct.Struct(self.offset_code)


_FORMS = {(order, big): _Form(order, big=big) for order in "<>" for big in (False, True)}


def _form(head: bytes) -> _Form:
    return _FORMS["<" if head[:2] == b"II" else ">", head[2:4] in (b"+\0", b"\0+")]


class _Entry(NamedTuple):
    """One field of a directory. `place` is where its values stand, `length` their bytes."""

    type: int
    values: int
    place: int
    length: int


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is TIFF or BigTIFF."""
    return head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def examine(source: Source) -> list[Problem]:
    """What is wrong with the structure of one file."""
    head = source.at(0, 16)
    if not recognises(head):
        return [Problem("damaged", "no TIFF header at its beginning", "the beginning of this picture is damaged")]
    form = _form(head)
    first = _number(head[8:16] if form.big else head[4:8], form.offset_code)
    if first == 0:
        return [Problem("damaged", "the header names no directory", "this picture was never finished")]
    waiting = deque([first])
    seen: set[int] = set()
    pictures = 0
    while waiting and len(seen) < _MOST_DIRECTORIES:
        place = waiting.popleft()
        if place in seen:
            continue
        seen.add(place)
        directory = _directory(source, form, place)
        if directory is None:
            detail = f"a directory at byte {place:,} that is not whole; the file ends at {source.size:,}"
            return [Problem("damaged", detail, _BROKEN)]
        entries, following = directory
        lost = [tag for tag, entry in entries.items() if _read_by_all(tag) and entry.place + entry.length > source.size]
        if lost:
            detail = f"the values of field {lost[0]} are outside the file, which ends at {source.size:,}"
            return [Problem("damaged", detail, _CUT_SHORT)]
        for offsets, counts in ((_STRIPS, _STRIP_BYTES), (_TILES, _TILE_BYTES)):
            if offsets in entries:
                pictures += 1
                problem = _picture(source, form, entries, offsets, counts)
                if problem is not None:
                    return [problem]
        if _SUB_DIRECTORIES in entries:
            waiting.extend(_values(source, form, entries[_SUB_DIRECTORIES])[:_MOST_DIRECTORIES])
        if following:
            waiting.append(following)
    if not pictures:
        return [Problem("damaged", "no directory names a picture", _BROKEN)]
    return []


@dataclass(frozen=True, slots=True)
class Directory:
    """The fields of one directory, for those that want to know what it says of its picture."""

    source: Source
    form: _Form
    entries: dict[int, _Entry]

    @property
    def order(self) -> str:
        """Byte order, as `struct` has it."""
        return self.form.order

    def has(self, tag: int) -> bool:
        """Whether the field is there."""
        return tag in self.entries

    def numbers(self, tag: int) -> list[int]:
        """The whole numbers of a field; none where it is not there, or holds none."""
        entry = self.entries.get(tag)
        return _values(self.source, self.form, entry) if entry is not None else []

    def raw(self, tag: int, kind: int, most: int) -> bytes:
        """The bytes of a field of this type, at most so many; none where there is no such field."""
        entry = self.entries.get(tag)
        if entry is None or entry.type != kind:
            return b""
        return self.source.at(entry.place, min(entry.length, most))


def directories(source: Source) -> Iterator[Directory]:
    """Every directory that can be read, the first one first, sub-directories with the others. Raises OSError of the
    medium, TooMuch."""
    head = source.at(0, 16)
    if not recognises(head):
        return
    form = _form(head)
    waiting = deque([_number(head[8:16] if form.big else head[4:8], form.offset_code)])
    seen: set[int] = set()
    while waiting and len(seen) < _MOST_DIRECTORIES:
        place = waiting.popleft()
        if place in seen or not place:
            continue
        seen.add(place)
        directory = _directory(source, form, place)
        if directory is None:
            continue
        entries, following = directory
        yield Directory(source, form, entries)
        if _SUB_DIRECTORIES in entries:
            waiting.extend(_values(source, form, entries[_SUB_DIRECTORIES])[:_MOST_DIRECTORIES])
        waiting.append(following)


def _read_by_all(tag: int) -> bool:
    """Fields that a reader needs to show the picture (TIFF 6.0 and DNG), against private ones and notes."""
    return tag <= 532 or 50706 <= tag <= 52600


def _number(data: bytes, code: str) -> int:
    length = struct.calcsize(code)
    return int(struct.unpack(code, data[:length].ljust(length, b"\0"))[0])


def _directory(source: Source, form: _Form, place: int) -> tuple[dict[int, _Entry], int] | None:
    """The fields of one directory and the place of the next; None where it is not whole."""
    head_bytes, entry_bytes = (8, 20) if form.big else (2, 12)
    head = source.at(place, head_bytes)
    count = _number(head, form.order + ("Q" if form.big else "H"))
    if len(head) < head_bytes or not 0 < count <= _MOST_ENTRIES:
        return None
    length = count * entry_bytes + form.offset_bytes
    data = source.at(place + head_bytes, length)
    if len(data) < count * entry_bytes:
        return None
    entries: dict[int, _Entry] = {}
    value_bytes = form.offset_bytes
    inside = place + head_bytes + entry_bytes - value_bytes
    for tag, kind, values, value in form.entry.iter_unpack(data[: count * entry_bytes]):
        size = values * _TYPE_BYTES.get(kind, 1)
        entries[tag] = _Entry(kind, values, inside if size <= value_bytes else form.offset.unpack(value)[0], size)
        inside += entry_bytes
    # some writers leave out the place of the next directory where there is none
    return entries, _number(data[count * entry_bytes :], form.offset_code)


def _values(source: Source, form: _Form, entry: _Entry) -> list[int]:
    """The numbers of one field, as many as are there, at most `_MOST_VALUES`."""
    code = _TYPE_CODES.get(entry.type)
    if code is None:
        return []
    width = struct.calcsize("=" + code)
    data = source.at(entry.place, min(entry.values, _MOST_VALUES) * width)
    there = len(data) // width
    return list(struct.unpack(f"{form.order}{there}{code}", data[: there * width]))


def _picture(source: Source, form: _Form, entries: dict[int, _Entry], offsets: int, counts: int) -> Problem | None:
    """Whether all strips or tiles lie inside the file, and the last one of a packed picture holds something."""
    places = _values(source, form, entries[offsets])
    sizes = _values(source, form, entries[counts]) if counts in entries else [0] * len(places)
    if not places or len(sizes) < len(places):
        return Problem("damaged", f"the table of the picture's parts (field {offsets}) is not whole", _BROKEN)
    # a part of size 0 is left out on purpose (sparse files)
    parts = [(place, size) for place, size in zip(places, sizes, strict=False) if place or size]
    end, place = max(((place + size, place) for place, size in parts), default=(0, 0))
    if end > source.size:
        detail = f"a part of the picture from byte {place:,} to {end:,}; the file ends at {source.size:,}"
        return Problem("damaged", detail, _CUT_SHORT)
    if any(size and place < 8 for place, size in parts):
        return Problem("damaged", "a part of the picture where the header is", _BROKEN)
    compression = entries.get(_COMPRESSION)
    packed = compression is not None and _values(source, form, compression)[:1] not in ([_PLAIN], [])
    if packed and end - place >= 64 and is_zero(source.at(place, min(end - place, 4096))):
        detail = f"the last part of the picture, at byte {place:,}, is nothing but zeros"
        return Problem("damaged", detail, "the end of this picture was never written")
    return None
