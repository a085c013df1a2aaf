"""Long stretches of zeros in the first read of a card are seen, wherever blocks begin and end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from rollproof.copying.zero_watch import ZeroWatch
from rollproof.reading.parcels import Segment

WINDOW = 128 << 10
MIB = 1 << 20


def seen(files: Sequence[bytes], block: int) -> Mapping[int, list[tuple[int, int]]]:
    """What is seen when each file comes in blocks."""
    watch = ZeroWatch(MIB)
    for number, content in enumerate(files):
        for offset in range(0, max(len(content), 1), block):
            piece = memoryview(content)[offset : offset + block]
            last = offset + len(piece) == len(content)
            watch.take(Segment(number, 0, len(piece), offset, last), piece)
    return watch.of(range(len(files)))


@settings(deadline=None, max_examples=40)
@given(
    st.integers(0, 3 * MIB),
    st.integers(0, 4 * MIB),
    st.integers(0, 2 * MIB),
    st.sampled_from([64 << 10, WINDOW, MIB, 8 * MIB, MIB + 4096]),
)
def test_a_stretch_is_found_unless_it_is_short_and_nothing_else_is_taken_for_one(
    before: int, zeros: int, after: int, block: int
) -> None:
    content = b"\x01" * before + bytes(zeros) + b"\x01" * after
    found = seen([content], block).get(0, [])
    for start, end in found:
        assert end - start >= MIB
        assert not any(content[start:end])
    if zeros >= MIB + 2 * WINDOW:
        assert len(found) == 1
        assert found[0][0] - before < WINDOW
        assert before + zeros - found[0][1] < WINDOW


def test_zeros_at_the_end_of_one_file_and_the_beginning_of_the_next_are_two_stretches_too_short_to_count() -> None:
    half = MIB * 3 // 4
    assert seen([b"\x01" * MIB + bytes(half), bytes(half) + b"\x01" * MIB], 8 * MIB) == {}


def test_one_byte_in_the_middle_ends_a_stretch() -> None:
    content = bytearray(3 * MIB)
    content[MIB + 77] = 1
    assert seen([bytes(content)], 8 * MIB) == {0: [(0, MIB), (MIB + WINDOW, 3 * MIB)]}


def test_a_card_of_nothing_but_zeros_fills_no_memory() -> None:
    watch = ZeroWatch(MIB)
    piece = memoryview(bytes(2 * MIB))
    for number in range(5_000):
        watch.take(Segment(number, 0, len(piece), 0, True), piece)
    assert len(watch.of(range(5_000))) == 2_000


def test_what_a_file_that_broke_off_ended_with_is_not_joined_to_the_next_one() -> None:
    watch = ZeroWatch(MIB)
    zeros = memoryview(bytes(2 * MIB))
    watch.take(Segment(0, 0, len(zeros), 0, False), zeros)  # and then a block that could not be read
    watch.take(Segment(1, 0, MIB // 2, 0, False), zeros[: MIB // 2])
    watch.take(Segment(1, 0, MIB, MIB // 2, True), memoryview(b"\x01" * MIB))
    assert watch.of(range(2)) == {}
