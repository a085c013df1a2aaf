"""Adding up: per camera, per day, over all, and when a drive will be full."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta

from rollproof.reports.model import DayOfCamera, DriveOfReport, RollOfReport, Totals

NO_CAMERA = "no camera letter"


def total_of(name: str, rolls: Sequence[RollOfReport]) -> Totals:
    """All of some rolls together."""
    return Totals(
        name=name,
        rolls=len(rolls),
        rolls_proven=sum(roll.state == "proven" for roll in rolls),
        clips=sum(roll.clips_count for roll in rolls),
        files=sum(roll.files for roll in rolls),
        bytes=sum(roll.bytes for roll in rolls),
        duration_seconds=sum(roll.duration_seconds or 0.0 for roll in rolls),
        durations_unknown=sum(roll.durations_unknown for roll in rolls),
    )


def totals_by(rolls: Iterable[RollOfReport], key: Callable[[RollOfReport], str]) -> list[Totals]:
    """One line per key, in order of the keys."""
    groups: dict[str, list[RollOfReport]] = defaultdict(list)
    for roll in rolls:
        groups[key(roll)].append(roll)
    return [total_of(name, group) for name, group in sorted(groups.items())]


def camera_of(roll: RollOfReport) -> str:
    """The camera's letter, or the word for rolls without one (sound among them)."""
    return roll.camera or NO_CAMERA


def by_day_and_camera(rolls: Iterable[RollOfReport]) -> list[DayOfCamera]:
    """One entry for each day and camera that has rolls, in order."""
    groups: dict[tuple[str, str], list[RollOfReport]] = defaultdict(list)
    for roll in rolls:
        groups[roll.day, camera_of(roll)].append(roll)
    return [
        DayOfCamera(
            day=day,
            camera=camera,
            bytes=total.bytes,
            duration_seconds=total.duration_seconds,
            durations_unknown=total.durations_unknown,
        )
        for (day, camera), group in sorted(groups.items())
        for total in [total_of("", group)]
    ]


def drive_of(
    *,
    drive: str,
    role: str,
    device: str,
    serial: str,
    capacity_bytes: int,
    free_bytes: int | None,
    footage_by_day: dict[str, int],
) -> DriveOfReport:
    """A drive with the day it will be full: its free bytes over the mean of the days that brought footage to it.

    Without free bytes, or without a day that brought any, nothing is foretold. `full_on` counts every calendar day
    after the last as a shooting day, so it is the earliest date.
    """
    days = {day: size for day, size in footage_by_day.items() if size}
    footage = sum(days.values())
    rate = footage / len(days) if days else None
    full_in = math.floor(free_bytes / rate) if free_bytes is not None and rate else None
    last = _date(max(days)) if days else None
    full_on = None
    if full_in is not None and last is not None and full_in < 3650:
        full_on = (last + timedelta(days=full_in + 1)).isoformat()
    return DriveOfReport(
        drive=drive,
        role=role,
        device=device,
        serial=serial,
        attached=free_bytes is not None,
        capacity_bytes=capacity_bytes,
        free_bytes=free_bytes,
        footage_bytes=footage,
        bytes_per_day=rate,
        full_in_days=full_in,
        full_on=full_on,
    )


def _date(day: str) -> date | None:
    try:
        return date.fromisoformat(day)
    except ValueError:
        return None  # a numbered day: it does not say when it was
