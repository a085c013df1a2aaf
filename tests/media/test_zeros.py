"""Stretches of zeros mean something only in compressed pictures, where they cannot be a recorder's filling."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from media.noisy import noisy_movie
from rollproof.media.facts import Facts
from rollproof.media.source import BytesSource
from rollproof.media.zeros import least_bytes, zero_problem

MIB = 1 << 20
FACTS = Facts(
    duration_seconds=Fraction(10), frame_rate=Fraction(25), width=1920, height=1080, codec="prores", channels=2,
    sample_rate=48_000,
)  # fmt: skip


@pytest.mark.parametrize(
    ("facts", "least"),
    [
        (FACTS, MIB),
        (replace(FACTS, channels=16), 2 * 16 * 48_000 * 4),
        (replace(FACTS, duration_seconds=Fraction(1)), 2 * 100 * MIB // 25),
        (replace(FACTS, codec="v210"), None),
        (replace(FACTS, codec="rawvideo"), None),
        (replace(FACTS, codec=""), None),
        (replace(FACTS, width=None), None),
        (replace(FACTS, frame_rate=None), None),
        (replace(FACTS, duration_seconds=None), None),
        (replace(FACTS, duration_seconds=Fraction(0)), None),
    ],
    ids=[
        "a megabyte of a compressed clip", "longer than silence of sixteen channels", "longer than two frames",
        "black of an uncompressed codec", "raw pictures", "no codec known", "sound only", "no rate known",
        "no length known", "no length",
    ],
)  # fmt: skip
def test_how_long_a_stretch_must_be(facts: Facts, least: int | None) -> None:
    assert least_bytes(facts, 100 * MIB) == least


def test_a_stretch_in_the_media_data_is_told_with_its_place_and_one_in_free_space_or_too_short_is_not() -> None:
    pytest.importorskip("av")
    movie = noisy_movie()
    free = (8 + 4 * MIB).to_bytes(4, "big") + b"free" + bytes(4 * MIB)
    source = BytesSource(movie + free)
    inside = (2 * MIB, 4 * MIB)
    beyond = (len(movie) + 4096, len(movie) + 3 * MIB)

    problem = zero_problem(source, b"A003C001.mov", [(MIB, MIB + 5), inside, beyond], MIB)

    assert problem is not None
    assert problem.state == "odd"
    assert problem.detail == "2,097,152 bytes or more from byte 2,097,152 on"
    assert zero_problem(source, b"A003C001.mov", [beyond], MIB) is None
    assert zero_problem(source, b"A003C001.mov", [inside], 3 * MIB) is None


def test_of_a_file_whose_structure_is_not_known_nothing_is_said() -> None:
    assert zero_problem(BytesSource(b"RIFF" + bytes(8 * MIB)), b"A003C001.wav", [(MIB, 4 * MIB)], MIB) is None
