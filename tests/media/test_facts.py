"""The facts of a clip, from what real muxers and our own demo recorder wrote; a failure is a word, never a fault."""

from __future__ import annotations

import ctypes
import os
import struct
import sys
from fractions import Fraction
from pathlib import Path

import pytest

from demo_media import stage
from media.by_hand import box, dng, movie, track
from media.checked import Checked
from media.corpus import MUXED, corpus
from rollproof.media.facts import Facts, read_facts
from rollproof.media.poster import poster
from rollproof.media.reader import input as pyav_input
from rollproof.media.source import BytesSource, TooMuch
from rollproof.media.timecode import timecode

CARDS = Path(stage.__file__).parent / "cards"


def _facts(name: str) -> Facts:
    return read_facts(BytesSource(corpus()[name]), name.encode())


def test_a_clip_says_what_it_is() -> None:
    facts = _facts("prores.mov")

    assert facts == Facts(
        duration_seconds=Fraction(12, 25), start_timecode="10:42:07:00", frame_rate=Fraction(25), width=64, height=48,
        codec="ProRes HQ", channels=2, sample_rate=48000,
    )  # fmt: skip


@pytest.mark.parametrize("how", MUXED, ids=lambda how: how.name)
def test_what_was_made_is_what_is_read(how) -> None:  # type: ignore[no-untyped-def]
    facts = _facts(how.name)

    assert facts.note == ""
    assert facts.codec
    assert (facts.width, facts.height) == (how.size if how.video else (None, None))
    assert facts.start_timecode in ((how.timecode,) if how.timecode else ("", "00:00:00:00"))
    assert facts.sample_rate == (48000 if how.sound else None)
    if how.video:
        assert facts.frame_rate == 25
    wanted = Fraction(how.samples, 48000) if how.samples else Fraction(how.frames, 25)
    assert facts.duration_seconds is not None
    # a fragmented file tells the length of its first fragments only; compressed sound comes in whole packets
    assert facts.duration_seconds == pytest.approx(wanted, abs=0.06) or "fragmented" in how.name


def test_a_sound_take_says_scene_take_roll_and_start() -> None:
    path = CARDS / "S001" / "S001" / "12-T02_1.WAV"

    assert read_facts(BytesSource(path.read_bytes()), b"12-T02_1.WAV") == Facts(
        duration_seconds=Fraction(1), start_timecode="11:09:53:00", frame_rate=Fraction(25), codec="PCM 24 bit",
        reel="S001", scene="12", take="2", channels=3, sample_rate=48000,
    )  # fmt: skip


def _take(description: bytes = b"", ixml: bytes = b"", samples: int = 0) -> bytes:
    def chunk(code: bytes, payload: bytes) -> bytes:
        return code + struct.pack("<I", len(payload)) + payload + b"\0" * (len(payload) % 2)

    bext = description.ljust(338, b"\0") + struct.pack("<Q", samples) + bytes(256)
    body = b"WAVE" + chunk(b"bext", bext) + chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, 48000, 288000, 6, 24))
    body += (chunk(b"iXML", ixml) if ixml else b"") + chunk(b"data", bytes(288000))
    return b"RIFF" + struct.pack("<I", len(body)) + body


def test_a_recorder_without_ixml_writes_lines_into_the_description() -> None:
    facts = read_facts(
        BytesSource(_take(b"sSPEED=029.970-DF\r\nsSCENE=12A\r\nsTAKE=03\r\nsTAPE=S001\r\n", samples=48000 * 3600)),
        b"T.WAV",
    )

    assert (facts.scene, facts.take, facts.reel) == ("12A", "03", "S001")
    assert facts.frame_rate == Fraction(30000, 1001)
    assert facts.start_timecode == "01:00:00;00"


def test_texts_of_tracks_are_not_taken_for_those_of_the_take() -> None:
    ixml = (
        b"<?xml version='1.0'?><BWFXML><SCENE>12</SCENE><TAKE>4</TAKE><SPEED><TIMECODE_RATE>24000/1001</TIMECODE_RATE>"
        b"<TIMECODE_FLAG>NDF</TIMECODE_FLAG></SPEED><TRACK_LIST><TRACK><NAME>BOOM</NAME><SCENE>99</SCENE></TRACK>"
        b"</TRACK_LIST></BWFXML>"
    )
    facts = read_facts(BytesSource(_take(ixml=ixml)), b"T.WAV")

    assert (facts.scene, facts.take, facts.frame_rate) == ("12", "4", Fraction(24000, 1001))


@pytest.mark.parametrize(
    "ixml",
    [b"<BWFXML><SCENE>12", b"<!DOCTYPE a [<!ENTITY b 'x'>]><BWFXML>&b;</BWFXML>", b"\xff\xfe", b"<a>" * 5000,
     b"<BWFXML><SPEED><TIMECODE_RATE>1/0</TIMECODE_RATE></SPEED></BWFXML>",
     b"<BWFXML><SPEED><TIMECODE_RATE>999999999/1</TIMECODE_RATE></SPEED></BWFXML>"],
)  # fmt: skip
def test_a_broken_ixml_costs_only_its_own_facts(ixml: bytes) -> None:
    facts = read_facts(BytesSource(_take(ixml=ixml)), b"T.WAV")

    assert (facts.channels, facts.duration_seconds, facts.frame_rate, facts.note) == (2, Fraction(1), None, "")


@pytest.mark.parametrize(
    ("frames", "rate", "drop", "text"),
    [
        (0, Fraction(25), False, "00:00:00:00"),
        (25 * 3600 + 7, Fraction(25), False, "01:00:00:07"),
        (24 * 60, Fraction(24000, 1001), False, "00:01:00:00"),
        # SMPTE ST 12-1: numbers 0 and 1 are left out at every minute but the tenth
        (1799, Fraction(30000, 1001), True, "00:00:59;29"),
        (1800, Fraction(30000, 1001), True, "00:01:00;02"),
        (17981, Fraction(30000, 1001), True, "00:09:59;29"),
        (17982, Fraction(30000, 1001), True, "00:10:00;00"),
        (3600, Fraction(60000, 1001), True, "00:01:00;04"),
        (25 * 86400, Fraction(25), False, "00:00:00:00"),
        (5, Fraction(1000), False, ""),
    ],
)
def test_timecode(frames: int, rate: Fraction, drop: bool, text: str) -> None:
    assert timecode(frames, rate, drop=drop) == text


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("big", [False, True])
def test_a_frame_of_camera_raw_tells_the_size_of_its_picture_and_not_of_its_preview(order: str, big: bool) -> None:
    facts = read_facts(BytesSource(dng(order=order, big=big)), b"A003C001.00000001.dng")

    assert facts == Facts(width=64, height=48, codec="DNG")


@pytest.mark.parametrize(
    ("code", "rate", "start", "told"),
    [
        ([0x11, 0x07, 0x42, 0x10, 0, 0, 0, 0], [25, 1], "10:42:07:11", Fraction(25)),
        ([0x52, 0x59, 0x59, 0x23, 9, 9, 9, 9], [30000, 1001], "23:59:59;12", Fraction(30000, 1001)),
        ([0x91, 0x87, 0xC2, 0x50, 0, 0, 0, 0], [24000, 1001], "10:42:07:11", Fraction(24000, 1001)),  # other flags
        ([0x0B, 0, 0, 0, 0, 0, 0, 0], [1, 0], "", None),
        ([0x00, 0x61, 0, 0, 0, 0, 0, 0], [-25, 1], "", None),
        ([0x00, 0, 0, 0x24, 0, 0, 0, 0], [100_000, 1], "", None),
        ([1, 2, 3], [0, 0], "", None),
    ],
)
def test_a_frame_of_camera_raw_tells_timecode_rate_and_roll(
    code: list[int], rate: list[int], start: str, told: Fraction | None
) -> None:
    frame = dng(said=[(51043, 1, code), (51044, 10, rate), (51081, 2, [*b"A003\0"])])

    facts = read_facts(BytesSource(frame), b"A003C001.00000001.dng")

    assert (facts.start_timecode, facts.frame_rate, facts.reel) == (start, told, "A003")


def test_without_the_media_library_the_facts_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "av", None)

    facts = _facts("camera.mp4")

    assert facts == Facts(note=facts.note)
    assert "rollproof[media]" in facts.note
    assert poster(BytesSource(corpus()["camera.mp4"]), b"a.mp4") is None
    assert _facts("take.wav").channels == 2
    assert _facts("frame.tif").width == 96


def test_unknown_and_broken_files_give_a_word() -> None:
    assert read_facts(BytesSource(b"tired battery"), b"NOTES.TXT").note
    assert read_facts(BytesSource(corpus()["camera.mp4"][:900]), b"A.MP4").note
    assert read_facts(BytesSource(b"#EXTM3U\nfile:///etc/passwd\n"), b"A.MP4").note
    assert read_facts(BytesSource(b"ffconcat version 1.0\nfile /etc/passwd\n"), b"A.MOV").note


class Failing(Checked):
    """A medium that fails, or a budget that ends, after the first requests."""

    failure: Exception = OSError(5, "Input/output error")

    def at(self, offset: int, length: int) -> bytes:
        if self.asked >= 3:
            raise self.failure
        return super().at(offset, length)


@pytest.mark.parametrize("failure", [OSError(5, "Input/output error"), TooMuch()])
@pytest.mark.parametrize("name", ["camera.mp4", "take.wav", "camera.mxf"])
def test_a_failing_medium_gives_a_word_or_fewer_facts(name: str, failure: Exception) -> None:
    source = Failing(corpus()[name])
    source.failure = failure

    assert isinstance(read_facts(source, name.encode()), Facts)
    assert poster(source, name.encode()) is None


def test_the_library_gets_no_other_file() -> None:
    with pytest.raises(PermissionError):
        pyav_input._refuse("file:///etc/passwd", 1, {})


def test_the_library_reads_within_bounds() -> None:
    file = pyav_input.SourceFile(BytesSource(bytes(1000)), 300)

    assert file.seek(-100, 2) == 900
    assert len(file.read(5000)) == 100
    assert file.seek(0) == 0
    assert len(file.read()) == 200
    assert file.read(10) == b""


@pytest.mark.parametrize(
    "name", ["camera.mp4", "prores.mov", "camera.mxf", "stream.mts", "frame.tif", "library-frame.dpx"]
)
def test_a_poster_frame_is_a_small_png(name: str) -> None:
    picture = poster(BytesSource(corpus()[name]), name.encode(), wide=40)

    assert picture is not None
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">I", picture[16:20]) == (40,)


@pytest.mark.parametrize("name", ["take.wav", "sound.m4a", "MEDIAPRO.XML", "A003C001.braw"])
def test_what_has_no_readable_picture_has_no_poster(name: str) -> None:
    assert poster(BytesSource(corpus()[name]), name.encode()) is None


def _elsewhere(url: bytes) -> bytes:
    """A movie whose samples are said to be in another file."""
    inside, outside = box(b"url ", b"\0\0\0\1"), box(b"url ", b"\0\0\0\0" + url)
    trak = bytearray(track([2000], [100], codec=b"jpeg").replace(inside, outside))
    for code in (b"trak", b"mdia", b"minf", b"dinf", b"dref"):
        size_at = trak.index(code) - 4
        struct.pack_into(">I", trak, size_at, struct.unpack_from(">I", trak, size_at)[0] + len(url))
    return box(b"ftyp", b"qt  \0\0\0\0qt  ") + movie(bytes(trak))


@pytest.mark.skipif(sys.platform != "linux", reason="inotify is Linux")
def test_a_file_that_a_clip_refers_to_is_never_opened(tmp_path: Path) -> None:
    other = tmp_path / "other.mov"
    other.write_bytes(corpus()["mjpeg.mov"])
    libc = ctypes.CDLL(None, use_errno=True)
    watch = libc.inotify_init1(os.O_NONBLOCK)
    assert watch >= 0 and libc.inotify_add_watch(watch, bytes(other), 0x20) >= 0  # IN_OPEN
    path = bytes(other)
    try:
        for data in (
            *(_elsewhere(url + b"\0") for url in (path, b"file://" + path, b"other.mov")),
            b"#EXTM3U\n#EXT-X-VERSION:3\n#EXTINF:1,\nfile://" + path + b"\n",
            b"ffconcat version 1.0\nfile " + path + b"\n",
        ):
            for name in (b"a.mov", b"a.mxf", b"a.mts", b"a.avi"):
                read_facts(BytesSource(data), name)
                assert poster(BytesSource(data), name) is None

        with pytest.raises(BlockingIOError):
            os.read(watch, 4096)
        other.read_bytes()
        assert os.read(watch, 4096), "the watch sees nothing: this test proves nothing"
    finally:
        os.close(watch)


def test_entities_in_ixml_are_not_expanded() -> None:
    ixml = b"<!DOCTYPE a [<!ENTITY b 'bell'>]><BWFXML><SCENE>&b;</SCENE></BWFXML>"

    assert read_facts(BytesSource(_take(ixml=ixml)), b"T.WAV").scene == ""
