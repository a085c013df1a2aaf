"""Rules for any file, whatever is in it; and what is said when nothing can be said."""

from __future__ import annotations

import errno

import pytest

from media.corpus import corpus
from rollproof.media.health import examine
from rollproof.media.source import BytesSource, TooMuch

MIB = 1 << 20
ESSENCE = bytes(range(1, 256)) * 9000


def _examined(data: bytes, name: bytes) -> tuple[str, str]:
    answer = examine(BytesSource(data), name)
    return answer.state, answer.container


@pytest.mark.parametrize("name", [b"A003C001.MP4", b"a.mxf", b"T01.WAV", b"C001.nev", b"f.dng", b"f.arx", b"x.cr2"])
def test_an_empty_media_file_is_damaged(name: bytes) -> None:
    assert _examined(b"", name) == ("damaged", "")


@pytest.mark.parametrize("name", [b"A003C001.MP4", b"a.mxf", b"T01.WAV", b"C001.nev", b"f.dng", b"f.arx", b"x.cr2"])
@pytest.mark.parametrize("length", [1, 100, 3 * MIB])
def test_a_media_file_of_nothing_but_zeros_is_damaged(name: bytes, length: int) -> None:
    assert _examined(bytes(length), name) == ("damaged", "")


@pytest.mark.parametrize("name", [b"STATUS.BIN", b"LOCK", b"index.db", b"M01.XML", b".hidden"])
@pytest.mark.parametrize("data", [b"", bytes(512)], ids=["empty", "zeros"])
def test_an_empty_file_that_is_no_media_is_only_odd(name: bytes, data: bytes) -> None:
    assert _examined(data, name)[0] == "odd"


def test_a_long_tail_of_zeros_in_an_unknown_file_is_odd() -> None:
    assert _examined(ESSENCE + bytes(MIB + 1), b"C001.nev")[0] == "odd"
    assert _examined(ESSENCE + bytes(MIB - 5000), b"C001.nev")[0] == "unknown"


def test_a_file_of_an_unknown_kind_is_unknown_and_says_so() -> None:
    answer = examine(BytesSource(b"battery 7 is tired\n"), b"NOTES.TXT")

    assert (answer.state, answer.problems) == ("unknown", ())
    assert "no check" in answer.note


@pytest.mark.parametrize(
    "name", ["a.mov", "a.mxf", "a.wav", "a.mts", "a.r3d", "a.dpx", "a.exr", "a.ari", "a.dng", "a.jpg", "a.avi", "a.w64"]
)
def test_a_file_whose_beginning_is_of_no_known_kind_is_damaged(name: str) -> None:
    assert _examined(ESSENCE, name.encode())[0] == "damaged"


def test_every_problem_is_said_in_words_and_in_bytes() -> None:
    data = corpus()["camera.mp4"]
    answer = examine(BytesSource(data[: len(data) // 2]), b"A003C007.MP4")

    assert answer.state == "damaged"
    assert answer.problems[0].detail.startswith("no index (moov) in 5,731 bytes") or "no index (moov)" in (
        answer.problems[0].detail
    )
    assert "never wrote the index" in answer.problems[0].meaning
    assert "may be recovered" in answer.problems[0].meaning


class Failing:
    """A medium that answers the first request and fails at the second."""

    def __init__(self, data: bytes, failure: Exception) -> None:
        self.size = len(data)
        self._data = data
        self._failure = failure
        self._asked = 0

    def at(self, offset: int, length: int) -> bytes:
        self._asked += 1
        if self._asked > 1:
            raise self._failure
        return BytesSource(self._data).at(offset, length)


@pytest.mark.parametrize("name", ["camera.mp4", "camera.mxf", "take.wav", "stream.mts", "frame.dng", "MEDIAPRO.XML"])
def test_a_failing_medium_passes_through(name: str) -> None:
    with pytest.raises(OSError, match="Input/output"):
        examine(Failing(corpus()[name], OSError(errno.EIO, "Input/output error")), name.encode())


def test_a_used_up_budget_is_unknown_never_damaged() -> None:
    answer = examine(Failing(corpus()["camera.mp4"], TooMuch()), b"A003C001.MP4")

    assert answer.state == "unknown"
    assert "only the beginning" in answer.note
