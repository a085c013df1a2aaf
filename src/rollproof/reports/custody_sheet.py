"""The page for the courier's envelope: which drive, from whom to whom, what is on it, and the receipt. HTML, one page.

Everything on it came from drives, records and command lines: it goes through an autoescaping template, with invisible
characters made visible first. No script, no link, nothing loaded from anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from rollproof.models.names import inert

MOST_ROLLS = 15
"""More rolls would not fit on one page; the record on the drive lists all of them."""
_LONGEST = 120


@dataclass(frozen=True, slots=True)
class SheetRoll:
    """One roll on the drive. `state` is `proven`, `copied` or `unproven`."""

    roll: str
    folder: str
    files: int
    size_bytes: int
    state: str
    looked_at_by: str = ""


@dataclass(frozen=True, slots=True)
class SheetPart:
    """One handover record: a production's rolls. `spelled` says the receipt group by group."""

    production: str
    receipt: str
    spelled: tuple[str, ...]
    record_folder: str
    files: int
    size_bytes: int
    rolls: tuple[SheetRoll, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything on the page. `fingerprint` is of the key that signed, empty when nothing was signed."""

    drive: str
    volume: str
    device: str
    serial: str
    capacity_bytes: int
    by: str
    role: str
    station: str
    to: str
    via: str
    note: str
    written_at: datetime
    reread: bool
    fingerprint: str
    parts: tuple[SheetPart, ...]


def sheet_html(sheet: Sheet) -> str:
    """The page as text. Long names are cut; the record has them whole."""
    shares = _shares([len(part.rolls) for part in sheet.parts])
    proven = all(roll.state == "proven" for part in sheet.parts for roll in part.rolls)
    return _template().render(sheet=sheet, shares=shares, proven=proven)


def _shares(counts: list[int]) -> list[int]:
    """How many rolls of each part are listed, so that all parts together fit on the page."""
    left, shares = MOST_ROLLS, []
    for number, count in enumerate(counts):
        share = min(count, left // (len(counts) - number))
        shares.append(share)
        left -= share
    return shares


def _clear(text: str, longest: int = _LONGEST) -> str:
    """Inert, and not longer than its place on the page."""
    shown = inert(text)
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def _size(count_bytes: int) -> str:
    value = float(count_bytes)
    for unit in ("bytes", "kB", "MB", "GB", "TB"):
        if value < 999.95 or unit == "TB":
            return f"{value:.0f} {unit}" if unit == "bytes" else f"{value:.1f} {unit}"
        value /= 1000
    raise AssertionError


def _moment(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} (UTC{moment:%z})"


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("rollproof.reports", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        clear=_clear, size=_size, moment=_moment, number=lambda count: f"{count:,}".replace(",", " ")
    )
    return environment.get_template("custody_sheet.html.j2")
