"""Numbers as a person reads them."""

from __future__ import annotations

import pytest

from rollproof.cli.views import words


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1.0 kB"),
        (999_949, "999.9 kB"),
        (999_950, "1.0 MB"),
        (194_600_000_000, "194.6 GB"),
        (10**16, "10.0 PB"),
        (10**20, "100000.0 PB"),
    ],
)
def test_sizes_are_decimal_with_one_digit_and_never_show_1000_of_a_unit(count: int, text: str) -> None:
    assert words.size(count) == text


@pytest.mark.parametrize(
    ("rate", "text"),
    [(None, ""), (0.0, "0 kB/s"), (500_000.0, "500 kB/s"), (412e6, "412 MB/s"), (1.2e9, "1.2 GB/s"), (15e9, "15 GB/s")],
)
def test_speeds_fit_eight_columns(rate: float | None, text: str) -> None:
    assert words.speed(rate) == text
    assert len(text) <= 8


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (None, "estimating"),
        (0.0, "a few seconds"),
        (12.0, "about 15 s"),
        (54.9, "about 55 s"),
        (55.0, "about 1 min"),
        (61.0, "about 2 min"),
        (3540.0, "about 59 min"),
        (3541.0, "about 1 h 00 min"),
        (4201.0, "about 1 h 15 min"),
    ],
)
def test_an_estimate_is_rounded_up_and_only_as_fine_as_it_deserves(seconds: float | None, text: str) -> None:
    assert words.about(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.44, "0.4 s"), (59.4, "59 s"), (59.6, "1 min 00 s"), (725, "12 min 05 s"), (4200, "1 h 10 min")],
)
def test_a_time_that_was_taken_is_told_exactly(seconds: float, text: str) -> None:
    assert words.took(seconds) == text


@pytest.mark.parametrize(
    ("fraction", "text"), [(None, ""), (0.999, "99 %"), (1.0, "100 %"), (1.7, "100 %"), (-1, "0 %")]
)
def test_a_hundred_per_cent_means_all_of_it(fraction: float | None, text: str) -> None:
    assert words.percent(fraction) == text


def test_counts_and_lists_read_as_english() -> None:
    assert words.counted(1, "file") == "1 file"
    assert words.counted(12345, "copy", "copies") == "12 345 copies"
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"
