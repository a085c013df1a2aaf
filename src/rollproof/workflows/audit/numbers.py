"""What the names and days of rolls say about rolls that should be there: gaps in numbers, days without sound."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
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


@dataclass(frozen=True, slots=True)
class Gap:
    """Numbers that no roll has, between two that one has. `names` are the rolls that would be called so; empty where
    the jump is so wide that another series begins there."""

    names: tuple[str, ...]
    earlier: Roll
    later: Roll


def gaps(found: Iterable[Gap], accepted: Mapping[str, str]) -> list[Told]:
    """One finding for each gap; a name of `accepted` is a note that says by whom and why."""
    out: list[Told] = []
    for gap in found:
        if not gap.names:
            detail = f"roll numbers jump from {inert(gap.earlier.name)} to {inert(gap.later.name)}"
            remedy = "if no other series begins there, rolls are missing: ask the camera team"
            out.append(_told(note(Kind.ROLL_GAP, detail, remedy=remedy), gap.later.name))
        for name in gap.names:
            if name in accepted:
                detail = f"there is no roll {inert(name)}, {inert(accepted[name])}"
                out.append(_told(note(Kind.ACCEPTED, detail), name))
        left = [name for name in gap.names if name not in accepted]
        if left:
            out.append(_told(_gap(left, gap.earlier, gap.later), left[0]))
    return out


def find_gaps(rolls: Iterable[Roll], known_missing: Collection[str]) -> list[Gap]:
    """Every gap in the numbers of a camera or recorder.

    Numbers count through a production; where a series uses one number on two days, it counts anew each day.
    `known_missing` are rolls that have their own finding.
    """
    series: dict[tuple[str, str, str], list[tuple[Numbered, Roll]]] = defaultdict(list)
    for roll in rolls:
        found = numbered(roll.name)
        if found is not None and roll.state != "missing":
            series[roll.production or "", roll.unit or "", found.series].append((found, roll))
    out: list[Gap] = []
    for _, members in sorted(series.items(), key=lambda item: item[0]):
        for counted in _runs(members):
            out += _in_one(counted, known_missing)
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


def _in_one(counted: Sequence[tuple[Numbered, Roll]], known_missing: Collection[str]) -> Iterator[Gap]:
    for (before, earlier), (after, later) in pairwise(counted):
        width = after.number - before.number - 1
        if width > _WIDEST_GAP:
            yield Gap((), earlier, later)
            continue
        names = [f"{before.series}{number:0{before.digits}}" for number in range(before.number + 1, after.number)]
        if unknown := [name for name in names if name not in known_missing]:
            yield Gap(tuple(unknown), earlier, later)


def _gap(names: Sequence[str], earlier: Roll, later: Roll) -> Finding:
    which = inert(names[0]) if len(names) == 1 else f"{inert(names[0])} to {inert(names[-1])}"
    return error(
        Kind.ROLL_GAP,
        f"{'roll' if len(names) == 1 else 'rolls'} {which} {'is' if len(names) == 1 else 'are'} nowhere:"
        f" {inert(earlier.name)} is of {inert(earlier.day or 'an unknown day')},"
        f" {inert(later.name)} of {inert(later.day or 'an unknown day')}",
        remedy="compare with the camera reports and keep every card; if the number was never used, accept it by name:"
        f" {inert(names[0])}",
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
