"""Numbers as a person reads them: sizes, speeds, durations, times of day. Pure functions; text out."""

from __future__ import annotations

import math

_UNITS = ("bytes", "kB", "MB", "GB", "TB", "PB")


def size(count_bytes: float) -> str:
    """A size in decimal units, as drives are labelled: `0 bytes`, `1 byte`, `5.12 kB`, `194.6 GB`."""
    value = float(max(count_bytes, 0))
    if value < 1000:
        return f"{value:.0f} byte" + ("" if round(value) == 1 else "s")
    unit = 0
    while value >= 999.95 and unit < len(_UNITS) - 1:
        value /= 1000
        unit += 1
    return f"{value:.1f} {_UNITS[unit]}"


def speed(bytes_per_second: float | None) -> str:
    """A speed, `412 MB/s`; empty when it is not known."""
    if bytes_per_second is None:
        return ""
    value, unit = bytes_per_second / 1000, "kB/s"
    for larger in ("MB/s", "GB/s"):
        if value < 999.5:
            break
        value, unit = value / 1000, larger
    return f"{value:.0f} {unit}" if value >= 10 or unit == "kB/s" else f"{value:.1f} {unit}"


def about(seconds: float | None) -> str:
    """How long something will take, rounded as coarsely as an estimate deserves; `estimating` when unknown."""
    if seconds is None:
        return "estimating"
    if seconds < 10:
        return "a few seconds"
    if seconds < 55:
        return f"about {math.ceil(seconds / 5) * 5} s"
    minutes = math.ceil(seconds / 60)
    if minutes < 60:
        return f"about {minutes} min"
    hours, minutes = divmod(math.ceil(minutes / 5) * 5, 60)
    return f"about {hours} h {minutes:02d} min"


def took(seconds: float) -> str:
    """How long something took: `0.4 s`, `52 s`, `12 min 05 s`, `1 h 10 min`."""
    if seconds < 10:
        return f"{max(seconds, 0):.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def percent(fraction: float | None) -> str:
    """`62 %`, rounded down so that 100 % means all of it; empty when unknown."""
    if fraction is None:
        return ""
    return f"{math.floor(min(max(fraction, 0.0), 1.0) * 100)} %"


def number(count: int) -> str:
    """A count with a thin grouping that no locale misreads: `1 234 567`."""
    return f"{count:,}".replace(",", " ")


def counted(count: int, one: str, many: str = "") -> str:
    """`1 file`, `412 files`."""
    return f"{number(count)} {one if count == 1 else many or one + 's'}"


def listed(items: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]
