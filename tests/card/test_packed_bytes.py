"""Bytes kept packed come back as they were, or are not kept at all."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.packed_bytes import PackedBytes


def packed(pieces: list[bytes], **given: int) -> PackedBytes:
    made = PackedBytes(**given)
    for piece in pieces:
        made.add(piece)
    made.end()
    return made


@given(st.lists(st.binary(max_size=200_000), max_size=6))
def test_they_come_back_as_often_as_they_are_asked_for(pieces: list[bytes]) -> None:
    made = packed(pieces)
    assert b"".join(made) == b"".join(made) == b"".join(pieces)


def test_a_million_lines_alike_take_a_fraction_of_their_size() -> None:
    made = packed([b"a line like the others\n" * 1000] * 1000, limit_bytes=200_000)
    assert made.whole
    assert sum(map(len, made)) == 23_000_000


@pytest.mark.parametrize("limit_bytes", [0, 1000])
def test_more_than_may_be_kept_is_not_given_back_in_part(limit_bytes: int) -> None:
    made = packed([bytes(range(256)) * 1000, b"the end"], limit_bytes=limit_bytes)
    assert not made.whole
    with pytest.raises(ValueError, match="more bytes"):
        next(iter(made))


def test_bytes_that_were_not_ended_are_not_taken_for_all() -> None:
    made = PackedBytes()
    made.add(b"the first half" * 100_000)
    with pytest.raises(ValueError, match="not ended"):
        list(made)
