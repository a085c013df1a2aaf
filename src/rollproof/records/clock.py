"""Moments as text (RFC 3339): the station's time with its offset, and modification times with every digit kept."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from functools import lru_cache

_SECOND = 1_000_000_000
_DAY = 86_400
_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
FIRST_NS = (date.min.toordinal() - _EPOCH_ORDINAL) * _DAY * _SECOND
"""The earliest moment RFC 3339 can write (year 1), nanoseconds since the epoch."""
LAST_NS = (date.max.toordinal() + 1 - _EPOCH_ORDINAL) * _DAY * _SECOND - 1
"""The last moment RFC 3339 can write (end of year 9999)."""

_UTC_TEXT = re.compile(r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:\.(\d{1,9}))?Z", re.ASCII)


def now() -> datetime:
    """This moment in whole seconds, with the station's offset from UTC kept beside it."""
    return datetime.now().astimezone().replace(microsecond=0)


def to_text(moment: datetime) -> str:
    """RFC 3339 with offset. ValueError for a moment without one: it would mean another time elsewhere."""
    if moment.tzinfo is None:
        raise ValueError("a moment without an offset from UTC")
    return moment.isoformat()


def for_name(moment: datetime) -> str:
    """The moment as file names have it: `2026-05-14T081502Z`, in UTC. ValueError without an offset."""
    if moment.tzinfo is None:
        raise ValueError("a moment without an offset from UTC")
    utc = moment.astimezone(UTC)
    return f"{utc.year:04}-{utc.month:02}-{utc.day:02}T{utc.hour:02}{utc.minute:02}{utc.second:02}Z"


def from_ns(nanoseconds: int) -> str:
    """RFC 3339 in UTC for nanoseconds since the epoch, with as many digits as say something.

    A moment outside the years 1 to 9999 becomes the nearest that can be written; `fits` tells.
    """
    seconds, fraction = divmod(min(max(nanoseconds, FIRST_NS), LAST_NS), _SECOND)
    text = _second_text(seconds)
    return f"{text}.{fraction:09}".rstrip("0") + "Z" if fraction else text + "Z"


@lru_cache(maxsize=256)
def _second_text(seconds: int) -> str:
    """The frames of a sequence share their seconds."""
    days, rest = divmod(seconds, _DAY)
    day = date.fromordinal(_EPOCH_ORDINAL + days)
    return f"{day.year:04}-{day.month:02}-{day.day:02}T{rest // 3600:02}:{rest // 60 % 60:02}:{rest % 60:02}"


def fits(nanoseconds: int) -> bool:
    """Whether RFC 3339 can write this moment exactly."""
    return FIRST_NS <= nanoseconds <= LAST_NS


def to_ns(text: str) -> int:
    """Nanoseconds since the epoch for RFC 3339 in UTC as `from_ns` writes it. ValueError for anything else."""
    found = _UTC_TEXT.fullmatch(text)
    if found is None:
        raise ValueError("no moment in UTC as RFC 3339 writes it")
    year, month, day, hour, minute, second = map(int, found.group(1, 2, 3, 4, 5, 6))
    if hour > 23 or minute > 59 or second > 59:
        raise ValueError("no such time of day")
    days = date(year, month, day).toordinal() - _EPOCH_ORDINAL
    fraction = int((found.group(7) or "").ljust(9, "0"))
    return (days * _DAY + hour * 3600 + minute * 60 + second) * _SECOND + fraction
