"""Recordings of hours: 64-bit sizes, tables of millions, thousands of fragments; few reads all the same."""

from __future__ import annotations

import struct
import time

from media.by_hand import box, movie, pattern, track
from media.checked import Huge
from rollproof.media.health import FileHealth, examine
from rollproof.media.source import FileSource

TIB = 1 << 40
GIB = 1 << 30
SECONDS = 1.0
"""Much more than it takes; a loop without bound takes for ever."""


def _examined(source: Huge, name: bytes, most_bytes: int) -> FileHealth:
    began = time.perf_counter()
    answer = examine(source, name)
    assert time.perf_counter() - began < SECONDS
    assert source.bytes_read <= most_bytes
    return answer


class _Medium:
    """The system's side of a file that is only thought up."""

    def __init__(self, huge: Huge) -> None:
        self._huge = huge

    def read_into(self, _handle: int, view: memoryview, offset: int) -> int:
        """See `Io.read_into`."""
        data = self._huge.at(offset, len(view))
        view[: len(data)] = data
        return len(data)


def _on_a_medium(huge: Huge) -> FileSource:
    """Read in blocks, with the bounds that a real file has."""
    return FileSource(_Medium(huge), 0, huge.size)


def _clip(samples: int, each: int) -> tuple[bytes, bytes, int]:
    """What stands before and after the media data, and its length."""
    head = box(b"ftyp", b"qt  \0\0\0\0qt  ") + box(b"wide")
    length = samples * each
    offsets = [len(head) + 16 + number * each for number in range(samples)]
    moov = movie(track([each] * samples, offsets, co64=True))
    return head + struct.pack(">I4sQ", 1, b"mdat", length + 16), moov, length


def test_two_hours_of_raw_in_a_tebibyte_take_a_few_reads() -> None:
    head, moov, length = _clip(200_000, 5_497_558)
    source = Huge(len(head) + length + len(moov), {0: head, len(head) + length: moov})

    assert source.size > TIB
    assert _examined(source, b"A003C001.braw", 1 << 20).state == "sound"


def test_the_last_samples_of_such_a_clip_are_missed() -> None:
    head, moov, length = _clip(200_000, 5_497_558)
    short = box(b"free", bytes(8)) + moov  # the index was written for more data than there is
    size = len(head) + length - 5 * GIB
    head = head[:-8] + struct.pack(">Q", length - 5 * GIB + 16)
    source = Huge(size + len(short), {0: head, size: short})

    answer = _examined(source, b"A003C001.braw", 1 << 20)

    assert answer.state == "damaged"
    assert "samples up to byte" in answer.problems[0].detail


def test_an_unfinished_clip_of_a_tebibyte_is_damaged() -> None:
    head, _, _ = _clip(10, 10)

    assert _examined(Huge(TIB, {0: head}), b"A003C001.mov", 1 << 20).state == "damaged"


def test_more_fragments_than_are_looked_at_are_unknown_not_damaged() -> None:
    fragment = box(b"moof", pattern(40)) + box(b"mdat", pattern(200))
    data = box(b"ftyp", b"isom") + movie(b"") + fragment * 3000

    answer = _examined(Huge(len(data), {0: data}), b"a.mp4", 4 << 20)

    assert answer.state == "unknown"
    assert "only the beginning" in answer.note


def _mxf(status: int, *more: bytes) -> Huge:
    """Half an hour of pictures of half a megabyte each, with nothing between them; `more` follows the last."""
    key = bytes.fromhex("060e2b34010201010d01030115010500")
    pieces = {0: _partition(2, status, 0)}
    end = len(pieces[0])
    for _ in range(3000):
        pieces[end] = key + b"\x83" + (500_000).to_bytes(3, "big")
        end += 20 + 500_000
    for part in more:
        pieces[end] = part
        end += len(part)
    return Huge(end, pieces)


def _partition(kind: int, status: int, place: int) -> bytes:
    pack = struct.pack(">HHIQQQQQIQI", 1, 3, 1, place, 0, 0, 0, 0, 0, 0, 0) + bytes(16) + struct.pack(">II", 0, 16)
    return (
        bytes.fromhex("060e2b34020501010d01020101")
        + bytes([kind, status, 0, 0x83])
        + len(pack).to_bytes(3, "big")
        + pack
    )


def test_a_long_recording_that_was_never_closed_is_damaged() -> None:
    source = _on_a_medium(_mxf(1))
    assert examine(source, b"A003C001.MXF").state == "damaged"
    assert source.reads < 10


def test_a_footer_that_only_the_end_of_the_file_shows_completes_an_open_header() -> None:
    place = _mxf(1).size
    filler = bytes.fromhex("060e2b34010101020301021001000000") + b"\x83" + (70_000).to_bytes(3, "big") + bytes(70_000)

    assert _examined(_mxf(1, _partition(4, 4, place)), b"A003C001.MXF", 6 << 20).state == "sound"
    assert _examined(_mxf(1, _partition(4, 4, place), filler), b"A003C001.MXF", 6 << 20).state == "sound"
    assert _examined(_mxf(1, _partition(4, 4, 0), filler), b"A003C001.MXF", 6 << 20).state == "sound"
    # incomplete, cut, or only like one
    assert _examined(_mxf(1, _partition(4, 3, place), filler), b"A003C001.MXF", 6 << 20).state == "damaged"
    assert _examined(_mxf(1, _partition(4, 4, place), filler[:-9]), b"A003C001.MXF", 6 << 20).state == "damaged"
    assert _examined(_mxf(1, _partition(4, 4, 7), b"picture" * 9), b"A003C001.MXF", 6 << 20).state == "damaged"


def test_half_an_hour_of_fragments_is_looked_at_to_its_end() -> None:
    start = box(b"ftyp", b"isom") + movie(track([], []), after=box(b"mvex"))
    pieces, end = {0: start}, len(start)
    for _ in range(1800):
        head = box(b"moof", pattern(400)) + struct.pack(">I4s", 3_000_000, b"mdat")
        pieces[end] = head
        end += len(head) - 8 + 3_000_000

    assert examine(_on_a_medium(Huge(end, pieces)), b"a.mp4").state == "sound"
    assert examine(_on_a_medium(Huge(end - 1_000_000, pieces)), b"a.mp4").state == "damaged"


def _rf64(data_bytes: int) -> bytes:
    form = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 8, 96000, 96000 * 24, 24, 24)
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, 4 + 36 + len(form) + 8 + data_bytes, data_bytes, data_bytes // 24, 0)
    return b"RF64\xff\xff\xff\xffWAVE" + ds64 + form + b"data\xff\xff\xff\xff"


def test_a_sound_take_beyond_4_gib_is_sound_and_its_loss_is_seen() -> None:
    head = _rf64(20 * GIB)

    assert _examined(Huge(len(head) + 20 * GIB, {0: head}), b"T01.WAV", 1 << 20).state == "sound"
    assert _examined(Huge(len(head) + 19 * GIB, {0: head}), b"T01.WAV", 1 << 20).state == "damaged"


def test_sizes_of_32_bits_that_wrapped_around_are_odd() -> None:
    length = 5 * GIB
    head = b"RIFF" + struct.pack("<I", (length + 36) % (1 << 32)) + b"WAVE"
    head += b"fmt " + struct.pack("<IHHIIHH", 16, 1, 8, 96000, 96000 * 24, 24, 24)
    head += b"data" + struct.pack("<I", length % (1 << 32))

    assert _examined(Huge(len(head) + length, {0: head}), b"T01.WAV", 3 << 20).state == "odd"


def test_a_segment_of_thousands_of_blocks_is_told_by_its_end() -> None:
    size, each = 4000 * 1_000_000, 1_000_000
    blocks = {number * each: struct.pack(">I4s", each, b"REDV") for number in range(1, 4000)}
    blocks[0] = struct.pack(">I4s", each, b"RED2")
    closing = struct.pack(">I4s", 56, b"REOB")
    closed = Huge(size + 56, {0: blocks[0], **{n * each: blocks[n * each] for n in range(1, 9)}, size: closing})

    assert _examined(closed, b"A001_C001_001.R3D", 1 << 20).state == "sound"
    assert closed.asked < 40


def test_a_transport_stream_of_hours_is_looked_at_in_ten_places() -> None:
    packet = 192
    size = 6144 * 3_000_000

    class Stream(Huge):
        def at(self, offset: int, length: int) -> bytes:
            count = len(super().at(offset, length))
            start = min(offset, self.size)
            phase = (bytes(4) + b"\x47" + b"\x11" * 187)[start % packet :] + (bytes(4) + b"\x47" + b"\x11" * 187) * (
                count // packet + 1
            )
            return phase[:count]

    assert _examined(Stream(size, {}), b"00001.MTS", 1 << 20).state == "sound"
    assert _examined(Stream(size + 100, {}), b"00001.MTS", 1 << 20).state == "damaged"
