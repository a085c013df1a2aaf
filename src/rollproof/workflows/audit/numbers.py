"""What the names and days of rolls say about rolls that should be there: gaps in numbers, days without sound."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from rollproof.models.findings import Finding, Kind, error, note, warning
from rollproof.models.names import inert
from rollproof.workflows.audit.copy import Told
from rollproof.workflows.audit.rolls import Roll

_NUMBERED = re.compile(r"(\d?[^\W\d_]{1,8}[_-]?)(\d{2,6})(?!\d)")
_WIDEST_GAP = 20
"""A jump over more numbers than this is another series (a second unit that counts from 101), and only a note."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """A roll's name as series and number: `A003` is number 3 of `A`, written with three digits."""

    series: str
    number: int
    digits: int


def numbered(name: str) -> Numbered | None:
    """What a roll's name says; None for names that do not count."""
    found = _NUMBERED.match(name)
    return Numbered(found[1], int(found[2]), len(found[2])) if found else None


def camera_letter(name: str) -> str | None:
    """The camera's letter by a roll's name, None where it has none of that form."""
    found = numbered(name)
    return found.series if found is not None and len(found.series) == 1 and found.series.isupper() else None


def gaps(rolls: Iterable[Roll], known_missing: Collection[str], accepted: Collection[str], reason: str) -> list[Told]:
    """One finding for each gap in the numbers of a camera or recorder.

    Numbers count through a production; where a series uses one number on two days, it counts anew each day.
    `known_missing` are rolls that have their own finding; a gap of `accepted` ones is a note with the reason.
    """
    series: dict[tuple[str, str, str], list[tuple[Numbered, Roll]]] = defaultdict(list)
    for roll in rolls:
        found = numbered(roll.name)
        if found is not None and roll.state != "missing":
            series[roll.production or "", roll.unit or "", found.series].append((found, roll))
    out: list[Told] = []
    for _, members in sorted(series.items(), key=lambda item: item[0]):
        for counted in _runs(members):
            out += _in_one(counted, known_missing, accepted, reason)
    return out


def _runs(members: Sequence[tuple[Numbered, Roll]]) -> list[list[tuple[Numbered, Roll]]]:
    """The rolls of one series, in order; in groups by day where it begins anew each day."""
    days: dict[int, set[str | None]] = defaultdict(set)
    for found, roll in members:
        days[found.number].add(roll.day)
    again = sum(len(where) > 1 for where in days.values())
    groups: dict[str | None, list[tuple[Numbered, Roll]]] = defaultdict(list)
    for found, roll in members:
        # one number used twice may be a slip; a series that begins anew does it again and again
        groups[roll.day if 2 * again > len(days) else None].append((found, roll))
    return [sorted(group, key=lambda item: item[0].number) for group in groups.values()]


def _in_one(
    counted: Sequence[tuple[Numbered, Roll]], known_missing: Collection[str], accepted: Collection[str], reason: str
) -> list[Told]:
    out: list[Told] = []
    for (before, earlier), (after, later) in pairwise(counted):
        width = after.number - before.number - 1
        if width < 1:
            continue
        if width > _WIDEST_GAP:
            detail = f"roll numbers jump from {inert(earlier.name)} to {inert(later.name)}"
            remedy = "if no other series begins there, rolls are missing: ask the camera team"
            out.append(_told(note(Kind.ROLL_GAP, detail, remedy=remedy), later.name))
            continue
        names = [f"{before.series}{number:0{before.digits}}" for number in range(before.number + 1, after.number)]
        unknown = [name for name in names if name not in known_missing]
        left = [name for name in unknown if name not in accepted]
        for name in unknown:
            if name in accepted:
                detail = f"there is no roll {inert(name)}, accepted: {inert(reason)}"
                out.append(_told(note(Kind.ACCEPTED, detail), name))
        if left:
            out.append(_told(_gap(left, earlier, later), left[0]))
    return out


def _gap(names: Sequence[str], earlier: Roll, later: Roll) -> Finding:
    which = inert(names[0]) if len(names) == 1 else f"{inert(names[0])} to {inert(names[-1])}"
    return error(
        Kind.ROLL_GAP,
        f"{'roll' if len(names) == 1 else 'rolls'} {which} {'is' if len(names) == 1 else 'are'} nowhere:"
        f" {inert(earlier.name)} is of {inert(earlier.day or 'an unknown day')},"
        f" {inert(later.name)} of {inert(later.day or 'an unknown day')}",
        remedy="compare with the camera reports and keep every card; if the number was never used, say so with"
        f" --accept {inert(names[0])} --reason TEXT",
        count=len(names),
    )


def _told(finding: Finding, roll: str) -> Told:
    return Told("completeness", finding, roll)


def days_without_sound(rolls: Iterable[Roll]) -> list[Told]:
    """One finding for each day on which a unit shot pictures and has no sound roll. Units that never recorded sound are
    passed over."""
    days: dict[tuple[str, str], dict[str, list[bool]]] = defaultdict(lambda: defaultdict(lambda: [False, False]))
    for roll in rolls:
        best = roll.best
        if roll.day is None or not (best.moving or best.sound):
            continue
        found = days[roll.production or "", roll.unit or ""][roll.day]
        is_sound = not best.moving
        found[is_sound] = True
    out = []
    for (_, unit), by_day in sorted(days.items()):
        if not any(sound for _, sound in by_day.values()):
            continue
        for day, (pictures, sound) in sorted(by_day.items()):
            if pictures and not sound:
                whose = f" of unit {inert(unit)}" if unit else ""
                detail = f"there is no sound roll{whose} for the day {inert(day)}"
                remedy = "ask the sound department whether the day was shot without sound, or where its cards are"
                out.append(_told(warning(Kind.NO_SOUND_ROLL, detail, remedy=remedy), ""))
    return out
