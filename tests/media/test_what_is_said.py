"""Each damage is said for what it is: the detail names the place, the meaning says what to do about it."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest

from media import by_hand, damage
from media.by_hand import box, movie, pattern, track
from media.corpus import corpus
from rollproof.media.health import examine
from rollproof.media.source import BytesSource

SOUND = pattern(3000)
FORMAT = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48000, 144000, 3, 24)
HEAD = box(b"ftyp", b"qt  \0\0\0\0qt  ")


def _riff(body: bytes, size: int | None = None) -> bytes:
    return b"RIFF" + struct.pack("<I", len(body) + 4 if size is None else size) + b"WAVE" + body


def _data(payload: bytes, size: int | None = None) -> bytes:
    return b"data" + struct.pack("<I", len(payload) if size is None else size) + payload


def _one_track(sizes: list[int], *, duration: int = 1000, whole: int = 1000, first: int = 0) -> bytes:
    place = first or len(HEAD) + 8
    offsets = [place + sum(sizes[:number]) for number in range(len(sizes))]
    return HEAD + box(b"mdat", pattern(4000)) + movie(track(sizes, offsets, duration=duration), duration=whole)


def _zero_last_picture() -> bytes:
    data = HEAD + box(b"mdat", pattern(2000) + bytes(2000))
    at = len(HEAD) + 8
    return data + movie(track([2000, 2000], [at, at + 2000]))


def _lost_partition() -> bytes:
    data = bytearray(corpus()["camera-long.mxf"])
    packs = [part for part in damage.klvs(bytes(data)) if part.code[8:13] == bytes.fromhex("0d01020101")]
    body = next(part for part in packs if part.code[13] == 3)
    data[body.start + 5] ^= 0xFF
    return bytes(data)


def _klvs_without_end() -> bytes:
    """A closed header without footer, then more small KLVs than are looked at."""
    data = bytearray(corpus()["camera.mxf"])
    value = 17 + (data[16] & 0x7F)
    data[value + 24 : value + 32] = bytes(8)
    end = damage.klvs(bytes(data))[0].end
    return bytes(data[:end]) + (bytes.fromhex("060e2b34010101020301021001000000") + b"\x01\0") * 5000


def _untouched_chunks() -> bytes:
    data = bytearray(by_hand.exr())
    table = data.index(b"lineOrder\0lineOrder\0") + 26
    data[table : table + 8] = bytes(8)
    return bytes(data)


def _circle_of_directories() -> bytes:
    data = bytearray(by_hand.dng())
    (count,) = struct.unpack_from("<H", data, 8)
    struct.pack_into("<I", data, 10 + count * 12, 8)
    return bytes(data)


def _cut_picture_marker(length: int) -> bytes:
    """A JPEG whose end marker lies across the border between two pieces of reading, and much after it."""
    data = corpus()["thumbnail.jpg"]
    scan = data.index(b"\xff\xda")
    start = scan + 2 + struct.unpack_from(">H", data, scan + 2)[0]
    return (
        data[:start]
        + pattern(length - 1).replace(b"\xff", b"\xfe")
        + b"\xff\xd9"
        + pattern(9000).replace(b"\xff", b"\x01")
    )


CASES: dict[str, tuple[str, Callable[[], bytes], str, str, str]] = {
    "index of no samples": (
        "a.mov", lambda: _one_track([]), "damaged", "no track of the index has a sample", "never wrote the index"),
    "index of no tracks": (
        "a.mov", lambda: HEAD + box(b"mdat", SOUND) + movie(b""), "damaged", "names no track", "never wrote the index"),
    "no duration anywhere": (
        "a.mov", lambda: _one_track([2000, 2000], duration=0, whole=0), "damaged", "duration 0", "never wrote"),
    "no duration of the whole": (
        "a.mov", lambda: _one_track([2000, 2000], whole=0), "odd", "duration 0", "wrong length"),
    "zeros where the last picture was": (
        "a.mov", _zero_last_picture, "damaged", "the last picture", "never written"),
    "samples before the beginning": (
        "a.mov", lambda: _one_track([2000, 2000], first=1), "damaged", "samples at byte 1", "index is damaged"),
    "a partition overwritten": (
        "a.mxf", _lost_partition, "damaged", "no partition at byte", "missing or overwritten"),
    "no end to the parts": (
        "a.mxf", _klvs_without_end, "unknown", "", ""),
    "sound longer than the file": (
        "t.wav", lambda: _riff(FORMAT + _data(SOUND, 4000)), "damaged", "the sound says it ends", "ends too early"),
    "header longer than the file": (
        "t.wav", lambda: _riff(FORMAT + _data(SOUND), 9000), "damaged", "the header says 9,008", "ends too early"),
    "header off by a few bytes": (
        "t.wav", lambda: _riff(FORMAT + _data(SOUND), 3044), "odd", "the header says", "do not add up"),
    "sound after the header's last update": (
        "t.wav", lambda: _riff(FORMAT + _data(SOUND), 4 + 24 + 8 + 3000) + SOUND, "damaged", "belongs to nothing",
        "updated the header for the last time"),
    "chunks after the end": (
        "t.wav", lambda: _riff(FORMAT + _data(SOUND)) + b"id3 \4\0\0\0abcd", "odd", "further chunks", "do not add up"),
    "no sound counted": (
        "t.wav", lambda: _riff(FORMAT + _data(SOUND, 0)), "damaged", "says 0 bytes; 3,000 bytes follow",
        "never finished the header"),
    "no sound at all": (
        "t.wav", lambda: _riff(FORMAT + _data(b"")), "damaged", "nothing follows", "no sound at all"),
    "no format": (
        "t.wav", lambda: _riff(_data(SOUND)), "damaged", "no fmt chunk", "how the sound is to be played"),
    "notes after the sound cut off": (
        "t.wav", lambda: _riff(FORMAT + _data(SOUND) + b"iXML" + struct.pack("<I", 900) + bytes(900))[:-400], "damaged",
        "a chunk at byte", "written after the sound"),
    "the last chunk of an old form lost": (
        "t.aif", lambda: corpus()["take.aiff"][:4] + b"\0\x7f\0\0" + corpus()["take.aiff"][8:], "damaged",
        "the header says 8,323,080 bytes", "ends too early"),
    "a block cut off": (
        "a.r3d", lambda: by_hand.segment()[:-800], "damaged", "says it ends at", "last frames"),
    "no closing block": (
        "a.r3d", lambda: by_hand.segment(closed=False), "odd", "no closing block", "camera report"),
    "a chunk that never came": (
        "a.exr", _untouched_chunks, "damaged", "1 of 3 chunks were never written", "never finished"),
    "directories in a circle": (
        "a.dng", _circle_of_directories, "sound", "", ""),
    "an end across two pieces of reading": (
        "a.jpg", lambda: _cut_picture_marker(256 * 1024), "sound", "", ""),
    "the mark of the end, then zeros": (
        "a.jpg", lambda: corpus()["thumbnail.jpg"] + bytes(3000), "sound", "", ""),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_damage_is_said_for_what_it_is(case: str) -> None:
    name, make, state, detail, meaning = CASES[case]

    answer = examine(BytesSource(make()), name.encode())

    assert answer.state == state, answer
    assert detail in "".join(problem.detail for problem in answer.problems)
    assert meaning in "".join(problem.meaning for problem in answer.problems)
