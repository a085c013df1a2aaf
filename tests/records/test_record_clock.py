"""Moments keep every digit, before 1970 and after 9999 too."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.records import clock


@given(st.integers(clock.FIRST_NS, clock.LAST_NS))
def test_any_nanosecond_of_the_years_1_to_9999_survives_the_way_there_and_back(nanoseconds: int) -> None:
    assert clock.to_ns(clock.from_ns(nanoseconds)) == nanoseconds


@given(st.integers(clock.FIRST_NS // 10**9, clock.LAST_NS // 10**9))
def test_whole_seconds_agree_with_the_standard_library(seconds: int) -> None:
    expected = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    assert clock.from_ns(seconds * 10**9) == expected.isoformat().replace("+00:00", "Z")


@pytest.mark.parametrize(
    ("nanoseconds", "text"),
    [
        (0, "1970-01-01T00:00:00Z"),
        (-1, "1969-12-31T23:59:59.999999999Z"),
        (1_778_746_502_540_000_000, "2026-05-14T08:15:02.54Z"),
        (10**9 + 10, "1970-01-01T00:00:01.00000001Z"),
    ],
)
def test_only_digits_that_say_something_are_written(nanoseconds: int, text: str) -> None:
    assert clock.from_ns(nanoseconds) == text


def test_a_moment_beyond_the_year_9999_is_told_and_does_not_fail() -> None:
    beyond = clock.LAST_NS + 1
    assert not clock.fits(beyond)
    assert clock.from_ns(beyond) == "9999-12-31T23:59:59.999999999Z"
    assert clock.from_ns(clock.FIRST_NS - 1) == "0001-01-01T00:00:00Z"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-05-14",
        "2026-05-14T08:15:02",
        "2026-05-14T08:15:02+02:00",
        "2026-02-30T08:15:02Z",
        "0000-01-01T00:00:00Z",
        "2026-05-14T24:00:00Z",
        "2026-05-14T08:15:60Z",
        "2026-05-14T08:15:02.0123456789Z",
        "2026-05-14T08:15:02Z\n",
        "٢٠٢٦-05-14T08:15:02Z",
    ],
)
def test_anything_but_a_moment_in_utc_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        clock.to_ns(text)


def test_the_stations_offset_is_kept_in_text_and_turned_into_utc_in_names() -> None:
    moment = datetime(2026, 5, 14, 10, 15, 2, tzinfo=timezone(timedelta(hours=2)))
    assert clock.to_text(moment) == "2026-05-14T10:15:02+02:00"
    assert clock.for_name(moment) == "2026-05-14T081502Z"
    assert clock.now().tzinfo is not None


def test_a_moment_without_an_offset_is_refused() -> None:
    naive = datetime(2026, 5, 14, 10, 15, 2)
    with pytest.raises(ValueError, match="offset"):
        clock.for_name(naive)
    with pytest.raises(ValueError, match="offset"):
        clock.to_text(naive)
