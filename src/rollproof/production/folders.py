"""Which shooting day it is, and where a roll goes on a drive."""

from __future__ import annotations

import re
import unicodedata
from datetime import date, datetime, timedelta

from rollproof.models.errors import UsageProblem
from rollproof.models.names import inert
from rollproof.production.components import component_problem
from rollproof.production.model import Production
from rollproof.production.placeholders import filled

_DAY_NUMBER = re.compile(r"[0-9]{1,4}")
_ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_HINTS = {
    "unit": "say which unit with --unit, or take {unit} out of the folder template",
    "camera": "take {camera} out of the folder template: the camera's letter is not known here",
}


def shooting_day(now: datetime, production: Production) -> date:
    """The date of the shooting day that `now` falls in: before `day_turns_at` it is still the day before.

    `now` counts by its own clock face: give it in the station's local time.
    """
    if now.time() < production.day_turns_at:
        return now.date() - timedelta(days=1)
    return now.date()


def day_text(production: Production, *, day: str | None, now: datetime) -> str:
    """The shooting day as it is called in folders and reports.

    `day_012` for a number said with `--day` (`12`), and, where the production has a `first_day`, for its date; days
    are then counted by the calendar, days off included. Dates before `first_day`, and all of them without one, stay
    dates (`2026-05-14`). Any other word said with `--day` is taken as it is. Raises UsageProblem for a number or date
    that is none.
    """
    if day is None:
        return _of_date(production, shooting_day(now, production))
    if _DAY_NUMBER.fullmatch(day):
        if int(day) == 0:
            raise UsageProblem("there is no shooting day 0", hint="shooting days count from 1: --day 1")
        return _numbered(int(day))
    said = _date_said(day)
    return day if said is None else _of_date(production, said)


def roll_folder(
    production: Production, *, roll: str, day: str | None, unit: str | None, camera: str | None, now: datetime
) -> bytes:
    """The roll's folder, relative to the drive's, from the production's template; always inside the drive.

    Names are composed (NFC), so that one name never makes two folders. Raises UsageProblem when the template asks for
    something that was not said, or when a part could not be a folder on every drive.
    """
    date_said = _date_said(day) if day is not None else None
    values = {
        "production": production.name,
        "roll": roll,
        "day": day_text(production, day=day, now=now),
        "unit": unit,
        "camera": camera,
        "date": (date_said or shooting_day(now, production)).isoformat(),
    }

    def value(name: str) -> str:
        found = values[name]
        if not found:
            raise UsageProblem(
                f"the folder template {production.folder} needs the {name}, which was not said",
                hint=_HINTS.get(name, f"say it with --{name}"),
            )
        return found

    parts = [unicodedata.normalize("NFC", filled(part, value)) for part in production.folder.split("/")]
    for part in parts:
        problem = component_problem(part)
        if problem:
            raise UsageProblem(
                f'"{inert(part[:100])}" cannot be a folder on every drive: it {problem}',
                hint="give another name with --roll, --day or --unit, or change the folder template",
            )
    return "/".join(parts).encode("utf-8")


def _of_date(production: Production, day: date) -> str:
    if production.first_day is None or day < production.first_day:
        return day.isoformat()
    return _numbered((day - production.first_day).days + 1)


def _numbered(number: int) -> str:
    return f"day_{number:03d}"


def _date_said(day: str) -> date | None:
    if not _ISO_DATE.fullmatch(day):
        return None
    try:
        return date.fromisoformat(day)
    except ValueError:
        raise UsageProblem(f"there is no date {day}", hint="give the day as 2026-05-14, or as a number") from None
