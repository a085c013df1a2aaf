"""Numbers and moments as a report shows them. Pure functions; text out."""

from __future__ import annotations

from datetime import datetime

from rollproof.models.names import inert
from rollproof.proof.permits import permit_words
from rollproof.reports.model import PermitOfReport

NOT_KNOWN = "not known"


def clear(text: str, longest: int = 300) -> str:
    """Untrusted text: inert, and not longer than its place on the page."""
    shown = inert(text)
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def number(count: int) -> str:
    """A count with a grouping that no locale misreads."""
    return f"{count:,}".replace(",", "\u202f")


def size(count_bytes: float | None) -> str:
    """A size in decimal units, as drives are labelled."""
    if count_bytes is None:
        return NOT_KNOWN
    value = float(max(count_bytes, 0))
    if value < 999.5:
        return f"{value:.0f} bytes" if round(value) != 1 else "1 byte"
    for unit in ("kB", "MB", "GB", "TB", "PB"):
        value /= 1000
        if value < 999.95 or unit == "PB":
            break
    return f"{value:.1f} {unit}"


def speed(bytes_per_second: float | None) -> str:
    """A speed."""
    return NOT_KNOWN if bytes_per_second is None else f"{size(bytes_per_second)}/s"


def length(seconds: float | None, unknown: int = 0) -> str:
    """A running time as `h:mm:ss`; says when some of it is not known."""
    if seconds is None or (unknown and not seconds):
        return NOT_KNOWN
    whole = round(seconds)
    text = f"{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d}"
    return f"{text} and {number(unknown)} not known" if unknown else text


def moment(at: datetime | None) -> str:
    """A moment to the minute, with its offset from UTC: a report travels."""
    if at is None:
        return NOT_KNOWN
    return f"{at:%Y-%m-%d %H:%M} {at:%z}"


def of_day(day: str) -> str:
    """`day 2026-05-14`, and `day_001` for a day that bears the word in its name."""
    named = clear(day, 40)
    return named if named.casefold().startswith("day") else f"day {named}"


def permit(given: PermitOfReport | None) -> str:
    """The last word about wiping a card."""
    return clear(permit_words(given.state, moment(given.at))) if given is not None else "no permit"


def counted(count: int, one: str, many: str = "") -> str:
    """`1 roll`, `12 rolls`."""
    return f"{number(count)} {one if count == 1 else many or one + 's'}"


def person(name: str, role: str) -> str:
    """Who it was, by role where no name was said."""
    if name and role:
        return f"{name}, {role}"
    return name or role or "somebody"
