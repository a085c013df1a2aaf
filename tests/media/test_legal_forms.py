"""What real cameras and muxers legitimately do is no damage: odd but legal forms, one by one."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest

from media import by_hand, damage
from media.by_hand import box, camera_raw, large_box, movie, pattern, track
from media.corpus import corpus
from rollproof.media.health import examine
from rollproof.media.source import BytesSource


def _state(data: bytes, name: str) -> tuple[str, tuple[str, ...]]:
    answer = examine(BytesSource(data), name.encode())
    return answer.state, tuple(problem.detail for problem in answer.problems)


def _mov(media: bytes, *, before: bytes = b"", between: bytes = b"", after: bytes = b"") -> bytes:
    """ftyp, `before`, media data (a whole box), `between`, index, `after`; one sample of 2000 bytes."""
    head = box(b"ftyp", b"qt  \0\0\0\0qt  ") + before
    header = 16 if media[:4] == b"\0\0\0\1" else 8
    trak = track([2000], [len(head) + header])
    return head + media + between + movie(trak, after=box(b"udta", box(b"name", b"A003") + bytes(4))) + after


SAMPLE = pattern(2000)


def _zero_sized_last_mdat() -> bytes:
    head = box(b"ftyp", b"qt  \0\0\0\0qt  ")
    length = len(head) + len(movie(track([2000], [0])))
    return head + movie(track([2000], [length + 8])) + bytes(4) + b"mdat" + SAMPLE


def _timecode_and_empty_tracks() -> bytes:
    head = box(b"ftyp", b"qt  \0\0\0\0qt  ")
    tracks = (
        track([2000], [len(head) + 8])
        + track([4], [len(head) + 8 + 1996], kind=b"tmcd", codec=b"tmcd")
        + track([], [], kind=b"soun", codec=b"sowt", duration=0)
        + track([0], [len(head) + 8 + 2000], kind=b"meta", codec=b"mebx")
    )
    return head + box(b"mdat", SAMPLE) + movie(tracks)


def _reference_movie() -> bytes:
    trak = track([2000], [999_999]).replace(box(b"url ", b"\0\0\0\1"), box(b"url ", b"\0\0\0\0"))
    return box(b"ftyp", b"qt  \0\0\0\0qt  ") + movie(trak)


def _still_picture() -> bytes:
    return box(b"ftyp", b"heic\0\0\0\0mif1heic") + box(b"meta", bytes(4) + pattern(300)) + box(b"mdat", SAMPLE)


BOXES: dict[str, Callable[[], bytes]] = {
    "media data with a 64-bit size": lambda: _mov(large_box(b"mdat", SAMPLE)),
    "free, skip, wide and uuid boxes everywhere": lambda: _mov(
        box(b"mdat", SAMPLE), before=box(b"free", bytes(100)) + box(b"wide") + box(b"uuid", pattern(60)),
        between=box(b"skip") + box(b"free", bytes(5000)), after=box(b"free", bytes(300)),
    ),
    "media data of size 0 at the end": _zero_sized_last_mdat,
    "no ftyp, media data first": lambda: (
        box(b"wide") + box(b"mdat", SAMPLE) + movie(track([2000], [16]))
    ),
    "an empty mdat beside a full one": lambda: _mov(box(b"mdat", SAMPLE), between=box(b"mdat")),
    "four zero bytes after the last box": lambda: _mov(box(b"mdat", SAMPLE), after=bytes(4)),
    "padded with zeros to a whole cluster": lambda: _mov(box(b"mdat", SAMPLE), after=bytes(32_768)),
    "a vendor's box after the index": lambda: _mov(box(b"mdat", SAMPLE), after=box(b"SDLN", pattern(40))),
    "timecode, empty and metadata tracks": _timecode_and_empty_tracks,
    "samples in another file": _reference_movie,
    "a still picture without moov": _still_picture,
    "media data longer than its samples": lambda: _mov(box(b"mdat", SAMPLE + bytes(4096))),
    "a duration that is not known": lambda: _mov(box(b"mdat", SAMPLE)).replace(
        struct.pack(">IIII", 0, 0, 1000, 1000), struct.pack(">IIII", 0, 0, 1000, 0xFFFFFFFF)
    ),
    "32-bit raw": lambda: camera_raw(wide_size=False, extra=box(b"free", bytes(64))),
}  # fmt: skip


@pytest.mark.parametrize("form", BOXES)
def test_a_legal_form_of_boxes_is_sound(form: str) -> None:
    assert _state(BOXES[form](), "A003C001.mov") == ("sound", ())


def _chunk(code: bytes, payload: bytes, *, pad: bool = True) -> bytes:
    return code + struct.pack("<I", len(payload)) + payload + b"\0" * (len(payload) % 2 if pad else 0)


FORMAT = _chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 48000, 48000 * 3, 3, 24))


def _riff(body: bytes, *, form: bytes = b"RIFF", size: int | None = None) -> bytes:
    return form + struct.pack("<I", len(body) + 4 if size is None else size) + b"WAVE" + body


def _rf64(data: bytes) -> bytes:
    rest = FORMAT + b"data" + b"\xff\xff\xff\xff" + data
    ds64 = _chunk(b"ds64", struct.pack("<QQQI", 4 + 36 + len(rest), len(data), len(data) // 3, 0))
    return _riff(ds64 + rest, form=b"RF64", size=0xFFFFFFFF)


SOUND = pattern(3001)

CHUNKS: dict[str, Callable[[], bytes]] = {
    "JUNK, bext, iXML and LIST around the sound": lambda: _riff(
        _chunk(b"JUNK", bytes(28)) + _chunk(b"bext", bytes(602)) + FORMAT + _chunk(b"LIST", b"INFO" + bytes(20))
        + _chunk(b"data", SOUND) + _chunk(b"iXML", b"<BWFXML/>") + _chunk(b"cue ", bytes(4))
    ),
    "odd sound with its pad byte": lambda: _riff(FORMAT + _chunk(b"data", SOUND)),
    "odd sound without its pad byte": lambda: _riff(FORMAT + _chunk(b"data", SOUND, pad=False)),
    "odd sound, pad byte not counted": lambda: _riff(
        FORMAT + _chunk(b"data", SOUND), size=4 + len(FORMAT) + 8 + len(SOUND)
    ),
    "RF64": lambda: _rf64(SOUND[:3000]),
    "BW64": lambda: b"BW64" + _rf64(SOUND[:3000])[4:],
    "padded with zeros to a whole cluster": lambda: _riff(FORMAT + _chunk(b"data", SOUND)) + bytes(4096),
    "digital silence": lambda: _riff(FORMAT + _chunk(b"data", bytes(2 << 20))),
    "a thousand bytes of header padding": lambda: _riff(_chunk(b"PAD ", bytes(1000)) + FORMAT + _chunk(b"data", SOUND)),
}  # fmt: skip


@pytest.mark.parametrize("form", CHUNKS)
def test_a_legal_form_of_chunks_is_sound(form: str) -> None:
    assert _state(CHUNKS[form](), "12-T01.WAV") == ("sound", ())


def _open_header(data: bytes) -> bytes:
    """Opened while recording and never rewritten, as the standard allows: the footer completes it."""
    changed = bytearray(data)
    changed[14] = 1
    value = 17 + (data[16] & 0x7F)
    changed[value + 24 : value + 32] = bytes(8)
    return bytes(changed)


def test_an_open_mxf_header_with_a_complete_footer_is_sound() -> None:
    assert _state(_open_header(corpus()["camera.mxf"]), "A.MXF") == ("sound", ())


def test_an_mxf_with_a_run_in_is_sound() -> None:
    # offsets count from the header partition, so all of it moves
    assert _state(b"run-in" * 20 + corpus()["camera.mxf"], "A.MXF") == ("sound", ())


def test_an_mxf_without_random_index_pack_is_odd_not_damaged() -> None:
    data = corpus()["camera.mxf"]

    assert _state(data[: damage.klvs(data)[-1].start], "A.MXF")[0] == "odd"


@pytest.mark.parametrize(
    "tail",
    [bytes(700), b"\0" * 5000, b"\0\0\0\x14ftypmp42" + pattern(9000)],
    ids=["zeros", "more zeros", "a short film"],
)
def test_a_jpeg_with_something_after_its_end_is_sound(tail: bytes) -> None:
    assert _state(corpus()["thumbnail.jpg"] + tail, "T01.JPG") == ("sound", ())


@pytest.mark.parametrize(
    "data",
    [
        by_hand.INDEX_XML + bytes(512),
        b"\xef\xbb\xbf" + by_hand.INDEX_XML,
        by_hand.INDEX_XML.decode().replace("UTF-8", "UTF-16").encode("utf-16"),
        b"<a/>",
        b"<!DOCTYPE a SYSTEM 'a.dtd'>\n<a/>\n\n",
    ],
    ids=["padded with zeros", "byte order mark", "UTF-16", "no declaration", "document type"],
)
def test_a_legal_form_of_xml_is_sound(data: bytes) -> None:
    assert _state(data, "MEDIAPRO.XML") == ("sound", ())


@pytest.mark.parametrize("name", ["frame-10.dpx", "frame-16.dpx"])
def test_a_black_dpx_frame_is_sound(name: str) -> None:
    data = corpus()[name]

    assert _state(data[:2048] + bytes(len(data) - 2048), name) == ("sound", ())


def test_a_dpx_frame_with_something_after_the_picture_is_sound() -> None:
    assert _state(by_hand.dpx(tail=pattern(300)), "f.dpx") == ("sound", ())


@pytest.mark.parametrize("name", ["camera.mp4", "take.wav", "camera.mxf", "frame-zip.exr", "thumbnail.jpg"])
def test_what_is_in_a_file_counts_more_than_its_suffix(name: str) -> None:
    assert _state(corpus()[name], "anything.bin") == ("sound", ())


def test_a_metadata_twin_carries_the_name_of_a_clip_and_is_none() -> None:
    twin = b"\x00\x05\x16\x07\x00\x02\x00\x00Mac OS X        " + pattern(100)

    assert _state(twin, "PRIVATE/._A003C001.MOV")[0] == "unknown"
