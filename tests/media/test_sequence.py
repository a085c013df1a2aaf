"""A frame sequence is judged as one clip: its numbers, its sizes, some of its headers."""

from __future__ import annotations

import time

import pytest

from media import by_hand
from rollproof.media.health import FileHealth, examine
from rollproof.media.sequence import EVERY_FRAME, SAMPLED, examine_sequence
from rollproof.media.source import BytesSource

SIZE = 12_000_000


def _frames(count: int, first: int = 86_400) -> list[tuple[int, int]]:
    return [(first + number, SIZE) for number in range(count)]


def test_frames_without_a_gap_are_sound() -> None:
    assert examine_sequence(_frames(500), container="DPX").state == "sound"
    assert examine_sequence(_frames(1)).state == "sound"


def test_the_order_in_which_frames_come_does_not_matter() -> None:
    assert examine_sequence(_frames(500)[::-1]).state == "sound"


def test_missing_frames_are_damaged_and_named() -> None:
    frames = [frame for frame in _frames(100) if frame[0] not in (86_410, 86_450, 86_451, 86_452)]

    answer = examine_sequence(frames)

    assert answer.state == "damaged"
    assert answer.problems[0].detail == "4 frames missing between the others: 86410, 86450–86452"


def test_many_gaps_are_not_all_named() -> None:
    answer = examine_sequence([frame for frame in _frames(100) if frame[0] % 10])

    assert answer.problems[0].detail.endswith("and 4 more")


def test_a_number_met_twice_is_damaged() -> None:
    answer = examine_sequence([*_frames(10), (86_403, SIZE)])

    assert answer.state == "damaged"
    assert "86403" in answer.problems[0].detail


def test_every_second_frame_throughout_is_a_way_to_number() -> None:
    assert examine_sequence([(number, SIZE) for number in range(0, 100, 2)]).state == "sound"


def test_a_short_frame_among_frames_of_one_size_is_damaged() -> None:
    frames = _frames(50)
    frames[20] = (frames[20][0], SIZE - 4096)

    answer = examine_sequence(frames)

    assert answer.state == "damaged"
    assert "86420" in answer.problems[0].detail


def test_compressed_frames_may_differ_in_size() -> None:
    assert examine_sequence([(number, 1_000_000 + number * 7919 % 500_000) for number in range(300)]).state == "sound"


def test_a_much_smaller_compressed_frame_is_odd_and_an_empty_one_damaged() -> None:
    frames = [(number, 1_000_000 + number * 7919 % 500_000) for number in range(300)]
    frames[7] = (7, 90_000)

    assert examine_sequence(frames).state == "odd"

    frames[7] = (7, 0)

    assert examine_sequence(frames).state == "damaged"


def test_every_header_of_a_short_sequence_is_looked_at() -> None:
    good, cut = by_hand.dpx(), by_hand.dpx()[:9000]
    looked: list[int] = []

    def look(index: int) -> FileHealth:
        looked.append(index)
        return examine(BytesSource(cut if index in (3, 4) else good), b"f.dpx")

    answer = examine_sequence([(number, len(good)) for number in range(EVERY_FRAME)], look)

    assert sorted(looked) == list(range(EVERY_FRAME))
    assert answer.container == "DPX"
    assert answer.state == "damaged"
    assert answer.problems[0].detail.startswith(f"frame 3, 4 (of {EVERY_FRAME} looked at): the picture needs")


def test_of_a_long_sequence_the_ends_some_between_and_the_conspicuous_are_looked_at() -> None:
    looked: list[int] = []
    frames = _frames(40_000)
    frames[1234] = (frames[1234][0], 5)

    def look(index: int) -> FileHealth:
        looked.append(index)
        return FileHealth("sound", "ARI")

    began = time.perf_counter()
    examine_sequence(frames, look)

    assert {0, 1234, 39_999} <= set(looked)
    assert len(looked) == SAMPLED + 3
    assert time.perf_counter() - began < 2


def test_frames_that_there_is_no_check_for_are_unknown() -> None:
    answer = examine_sequence(_frames(3), lambda _: FileHealth("unknown", "", (), "there is no check"))

    assert (answer.state, answer.note) == ("unknown", "there is no check")


def test_nothing_is_unknown() -> None:
    assert examine_sequence([]).state == "unknown"


def test_a_failing_medium_passes_through() -> None:
    def look(_: int) -> FileHealth:
        raise OSError(5, "Input/output error")

    with pytest.raises(OSError, match="Input/output"):
        examine_sequence(_frames(3), look)
