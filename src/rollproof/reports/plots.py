"""Plots as plain marks on a plane, so that a page and a PDF draw the same ones. No colour carries a meaning alone.

Coordinates are points, y downwards. Bars of one day stand together; several series differ by grey, by pattern and by
a label. Whatever is drawn is in a table beside it as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from rollproof.reports.model import DayOfCamera, DriveOfReport, SpeedOfReport
from rollproof.reports.words import length, size

WIDTH = 720
_LEFT, _RIGHT, _TOP, _BOTTOM = 70, 12, 26, 34
_GREYS = ("#1a1a1a", "#7a7a7a", "#b8b8b8", "#4d4d4d", "#9a9a9a", "#d6d6d6")
_DASHES: tuple[tuple[float, ...], ...] = ((), (6, 3), (1.5, 3), (9, 3, 1.5, 3), (3, 6), (12, 6))
_MUCH_SLOWER = 0.75
MOST_DAYS = 60
"""More days than this would be bars thinner than a line: the last ones are drawn."""
_MOST_SERIES = 12


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing that is drawn. `points` of a line are x, y, x, y …; `at` is where on a text its point is."""

    kind: Literal["bar", "line", "text"]
    points: tuple[float, ...]
    fill: str = "#1a1a1a"
    text: str = ""
    at: Literal["start", "middle", "end"] = "start"
    small: bool = True
    dash: tuple[float, ...] = ()
    outlined: bool = False


@dataclass(slots=True)
class Plot:
    """A plot with its title and what it says in one sentence, for those who cannot see it."""

    title: str
    told: str
    height: float
    marks: list[Mark] = field(default_factory=list)

    def bar(self, x: float, y: float, wide: float, high: float, fill: str, *, outlined: bool = False) -> None:
        """A rectangle."""
        self.marks.append(Mark("bar", (x, y, max(wide, 0.0), max(high, 0.0)), fill, outlined=outlined))

    def line(self, points: Sequence[float], fill: str = "#1a1a1a", *, dash: tuple[float, ...] = ()) -> None:
        """A line through some points; `dash` is the lengths of strokes and gaps."""
        self.marks.append(Mark("line", tuple(points), fill, dash=dash))

    def text(
        self, x: float, y: float, text: str, *, at: Literal["start", "middle", "end"] = "start", small: bool = True
    ) -> None:
        """A word at a point."""
        self.marks.append(Mark("text", (x, y), text=text, at=at, small=small))


def nice_top(value: float) -> float:
    """The next round number at or above: 1, 2, 2.5 or 5 times a power of ten."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1, 2, 2.5, 5, 10) if step * power >= value * 0.999999)


def bytes_by_day(days: Sequence[DayOfCamera]) -> Plot | None:
    """Bytes per day and camera; None without any."""
    values = {(each.day, each.camera): float(each.bytes) for each in days}
    return _bars("Bytes per day and camera", values, size, nice_top)


def footage_by_day(days: Sequence[DayOfCamera]) -> Plot | None:
    """Running time per day and camera; None where none is known."""
    values = {(each.day, each.camera): each.duration_seconds for each in days if each.duration_seconds}
    return _bars("Footage per day and camera", values, length, _top_of_time)


def _top_of_time(seconds: float) -> float:
    """Four steps of a length that a clock has."""
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
    return next((4.0 * step for step in steps if 4 * step >= seconds), 4 * nice_top(seconds / 4 / 3600) * 3600)


def _bars(
    title: str,
    values: Mapping[tuple[str, str], float],
    told: Callable[[float], str],
    top_of: Callable[[float], float],
) -> Plot | None:
    if not any(values.values()):
        return None
    days = sorted({day for day, _ in values})[-MOST_DAYS:]
    cameras = sorted({camera for day, camera in values if day in days})[:_MOST_SERIES]
    shown = {key: value for key, value in values.items() if key[0] in days and key[1] in cameras}
    (best_day, best_camera), best = max(shown.items(), key=lambda item: item[1])
    plot = Plot(title, f"{title}: the most is {told(best)}, {_of_camera(best_camera)} on {best_day}.", 230)
    top = top_of(max(shown.values()))
    _frame(plot, top, told)
    low = plot.height - _BOTTOM
    scale = (low - _TOP) / top
    step = (WIDTH - _LEFT - _RIGHT) / len(days)
    wide = min(step * 0.8 / len(cameras), 34)
    for place, day in enumerate(days):
        start = _LEFT + step * place + (step - wide * len(cameras)) / 2
        for number, camera in enumerate(cameras):
            value = shown.get((day, camera), 0.0)
            if value:
                x = start + wide * number
                plot.bar(x, low - value * scale, wide - 1, value * scale, _grey(number), outlined=True)
                if len(days) * len(cameras) <= 24:
                    plot.text(x + wide / 2, low - value * scale - 3, camera if len(camera) <= 2 else "–", at="middle")
        if place % max(1, math.ceil(len(days) / 8)) == 0:
            plot.text(_LEFT + step * place + step / 2, low + 13, day[:14], at="middle")
    _legend(plot, [_of_camera(camera) for camera in cameras])
    return plot


def _of_camera(camera: str) -> str:
    return camera if len(camera) > 2 else f"camera {camera}"


def drive_fill(drives: Sequence[DriveOfReport]) -> Plot | None:
    """How full each drive is, as far as it was looked at; None where none was."""
    known = [drive for drive in drives if drive.free_bytes is not None and drive.capacity_bytes > 0][:_MOST_SERIES]
    if not known:
        return None
    fullest = max(known, key=_used)
    told = (
        f"Drive fill: the fullest is the drive {fullest.drive}, {_used(fullest):.0%} of {size(fullest.capacity_bytes)}."
    )
    plot = Plot("Drive fill", told, _TOP + 30 * len(known) + 8)
    left, wide = 150, WIDTH - 150 - 340
    for number, drive in enumerate(known):
        y = _TOP + 30 * number
        plot.text(left - 8, y + 14, drive.drive[:24], at="end")
        plot.bar(left, y + 3, wide, 16, "#ffffff", outlined=True)
        plot.bar(left, y + 3, wide * _used(drive), 16, "#4d4d4d")
        plot.text(left + wide + 8, y + 14, f"{_used(drive):.0%} used; {when_full(drive)}")
    return plot


def when_full(drive: DriveOfReport) -> str:
    """The sentence about the day a drive will be full."""
    if drive.full_in_days is None:
        return "the day it is full is not known"
    if drive.full_in_days == 0:
        return "it will not hold another day like these"
    if drive.full_in_days >= 1000:
        return "room for more than 1000 days like these"
    days = f"room for {drive.full_in_days} more shooting {'day' if drive.full_in_days == 1 else 'days'}"
    return f"{days}; full on {drive.full_on}" if drive.full_on else days


def throughput(speeds: Sequence[SpeedOfReport]) -> Plot | None:
    """Bytes per second of each drive over its copies, one after the other; None where nothing was measured."""
    drives = sorted({each.drive for each in speeds if each.seconds > 0})[:_MOST_SERIES]
    lines = {drive: _samples([each for each in speeds if each.drive == drive]) for drive in drives}
    lines = {drive: line for drive, line in lines.items() if line}
    if not lines:
        return None
    slowest = min(lines, key=lambda drive: _mean(lines[drive]))
    told = f"Throughput: the slowest drive is {slowest}, {size(_mean(lines[slowest]))}/s on average."
    for drive, line in lines.items():
        told += _slower(drive, line)
    plot = Plot("Throughput of each drive while it was read back", told, 230)
    top = nice_top(max(max(line) for line in lines.values()))
    _frame(plot, top, lambda value: f"{size(value)}/s")
    low, across = plot.height - _BOTTOM, WIDTH - _LEFT - _RIGHT
    longest = max(len(line) for line in lines.values())
    x = float(_LEFT)
    for number, (drive, line) in enumerate(lines.items()):
        step = across / max(longest - 1, 1)
        points: list[float] = []
        for place, value in enumerate(line):
            points += [_LEFT + step * place, low - value / top * (low - _TOP)]
        if len(line) == 1:
            points += [_LEFT + 12, points[1]]
        dash = _DASHES[number % len(_DASHES)]
        plot.line(points, dash=dash)
        if x + 40 + 6 * len(drive[:20]) < WIDTH:
            plot.line((x, 10, x + 26, 10), dash=dash)
            plot.text(x + 31, 14, drive[:20])
            x += 44 + 6 * len(drive[:20])
    plot.text(_LEFT, low + 13, "first copy")
    plot.text(WIDTH - _RIGHT, low + 13, "last copy", at="end")
    return plot


def _mean(line: Sequence[float]) -> float:
    return sum(line) / len(line)


def _slower(drive: str, line: Sequence[float]) -> str:
    """The warning about a drive whose last third was read back much slower than its first."""
    third = len(line) // 3
    if third < 2:
        return ""
    before, after = _mean(line[:third]), _mean(line[-third:])
    if after > before * _MUCH_SLOWER:
        return ""
    return f" {drive} got slower, from {size(before)}/s to {size(after)}/s: be wary of it."


def _samples(speeds: Sequence[SpeedOfReport]) -> list[float]:
    out: list[float] = []
    for each in sorted(speeds, key=lambda each: each.started_at):
        left = each.seconds
        for moved in each.stretches or [each.bytes]:
            stretch = min(each.stretch_seconds, left) if each.stretches else each.seconds
            if stretch > 0:
                out.append(moved / stretch)
            left -= stretch
    if len(out) <= 400:
        return out
    width = math.ceil(len(out) / 400)
    return [sum(out[at : at + width]) / len(out[at : at + width]) for at in range(0, len(out), width)]


def _used(drive: DriveOfReport) -> float:
    free = drive.free_bytes or 0
    return min(max((drive.capacity_bytes - free) / drive.capacity_bytes, 0.0), 1.0)


def _frame(plot: Plot, top: float, told: Callable[[float], str]) -> None:
    low = plot.height - _BOTTOM
    for number in range(5):
        y = low - (low - _TOP) * number / 4
        plot.line((_LEFT, y, WIDTH - _RIGHT, y), "#1a1a1a" if number == 0 else "#dddddd")
        plot.text(_LEFT - 6, y + 3, told(top * number / 4) if number else "0", at="end")


def _legend(plot: Plot, names: Sequence[str]) -> None:
    x = float(_LEFT)
    for number, name in enumerate(names):
        label = name[:24]
        if x + 20 + 6 * len(label) > WIDTH:
            break
        plot.bar(x, 6, 9, 9, _grey(number), outlined=True)
        plot.text(x + 13, 14, label)
        x += 26 + 6 * len(label)


def _grey(number: int) -> str:
    return _GREYS[number % len(_GREYS)]
