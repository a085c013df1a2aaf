"""Totals, what is foretold of a drive, and plots: the numbers behind the pictures."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.bell_foundry import a_production, a_report, a_report_roll, a_speed
from rollproof.reports import words
from rollproof.reports.model import DriveOfReport
from rollproof.reports.plots import (
    MOST_DAYS,
    WIDTH,
    Plot,
    bytes_by_day,
    drive_fill,
    footage_by_day,
    nice_top,
    throughput,
    when_full,
)
from rollproof.reports.totals import by_day_and_camera, drive_of


def a_drive(free: int | None, by_day: dict[str, int]) -> DriveOfReport:
    return drive_of(
        drive="primary", role="", device="", serial="", capacity_bytes=1000, free_bytes=free, footage_by_day=by_day
    )  # fmt: skip


def bars(plot: Plot | None) -> list[tuple[float, ...]]:
    assert plot is not None
    return [mark.points for mark in plot.marks if mark.kind == "bar" and mark.points[1] > 20]


def test_totals_add_up_over_cameras_and_days_alike() -> None:
    report = a_production(4, 40)
    for parts in (report.per_camera, report.per_day):
        assert sum(part.bytes for part in parts) == report.total.bytes == sum(roll.bytes for roll in report.rolls)
        assert sum(part.rolls for part in parts) == 40
        assert sum(part.rolls_proven for part in parts) == report.total.rolls_proven == 39
    assert math.isclose(sum(each.duration_seconds for each in report.cameras_by_day), report.total.duration_seconds)


def test_a_drive_is_full_after_its_free_room_over_the_mean_day() -> None:
    drive = a_drive(500, {"2026-05-14": 100, "2026-05-15": 140, "2026-05-16": 0})
    assert (drive.bytes_per_day, drive.full_in_days, drive.full_on) == (120.0, 4, "2026-05-20")
    assert when_full(drive) == "room for 4 more shooting days; full on 2026-05-20"
    assert when_full(a_drive(10, {"2026-05-14": 100})) == "it will not hold another day like these"
    assert when_full(a_drive(150, {"day_003": 100})) == "room for 1 more shooting day"


@pytest.mark.parametrize("drive", [a_drive(None, {"2026-05-14": 100}), a_drive(500, {}), a_drive(500, {"x": 0})])
def test_nothing_is_foretold_without_a_look_or_without_a_day(drive: DriveOfReport) -> None:
    assert (drive.full_in_days, drive.full_on) == (None, None)
    assert when_full(drive) == "the day it is full is not known"


@given(st.floats(1e-3, 1e18))
def test_an_axis_ends_at_a_round_number_not_far_above(value: float) -> None:
    top = nice_top(value)
    assert value * 0.99 <= top <= value * 2.6


def test_bars_are_as_high_as_what_they_stand_for() -> None:
    rolls = [a_report_roll("A003", bytes=100), a_report_roll("B002", bytes=50)]
    (first, second) = bars(bytes_by_day(by_day_and_camera(rolls)))
    assert math.isclose(first[3], 2 * second[3])
    assert math.isclose(first[1] + first[3], second[1] + second[3])


def test_a_long_production_still_fits_and_shows_its_last_days() -> None:
    rolls = [a_report_roll(day=f"day_{number:03}") for number in range(1, 200)]
    plot = bytes_by_day(by_day_and_camera(rolls))
    assert plot is not None
    assert len(bars(plot)) == MOST_DAYS
    assert all(0 <= x <= WIDTH for mark in plot.marks for x in mark.points[:1])


def test_where_nothing_is_known_there_is_no_plot() -> None:
    assert footage_by_day(by_day_and_camera([a_report_roll(duration_seconds=None, durations_unknown=3)])) is None
    assert bytes_by_day([]) is None
    assert drive_fill([a_drive(None, {})]) is None
    assert throughput([]) is None
    assert throughput([a_speed(seconds=0.0)]) is None


def test_throughput_is_bytes_over_the_seconds_of_each_stretch() -> None:
    plot = throughput([a_speed()])
    assert plot is not None
    (line,) = [mark.points for mark in plot.marks if mark.kind == "line" and len(mark.points) > 4]
    heights = [196 - y for y in line[1::2]]
    # 4.2 GB and 4 GB in ten seconds each, 1.8 GB in the last five
    assert [round(high / heights[0], 3) for high in heights] == [1.0, round(4.0 / 4.2, 3), round(3.6 / 4.2, 3)]


def test_the_slowest_drive_is_named() -> None:
    plot = throughput([a_speed("fast"), a_speed("slow", stretches=[10**9, 10**9, 5 * 10**8])])
    assert plot is not None
    assert "the slowest drive is slow" in plot.told


def test_a_drive_that_gets_slower_is_named_and_one_that_keeps_its_pace_is_not() -> None:
    fading = [4_000_000_000 - 500_000_000 * number for number in range(7)]
    steady = [a_speed("steady", seconds=70.0, stretches=[4_000_000_000] * 7)]
    plot = throughput([*steady, a_speed("fading", seconds=70.0, stretches=fading)])
    assert plot is not None
    assert "fading got slower, from 375.0 MB/s to 125.0 MB/s" in plot.told
    assert "steady got slower" not in plot.told


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0 bytes"), (1, "1 byte"), (999, "999 bytes"), (1000, "1.0 kB"), (999_960, "1.0 MB"), (None, "not known")],
)
def test_sizes_as_drives_are_labelled(value: float | None, text: str) -> None:
    assert words.size(value) == text


def test_lengths_say_what_part_of_them_is_not_known() -> None:
    assert words.length(3725.4) == "1:02:05"
    assert words.length(60, 2) == "0:01:00 and 2 not known"
    assert words.length(None) == words.length(0, 2) == "not known"
    assert a_report().total.durations_unknown == 0
