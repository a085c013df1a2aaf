"""Which drive lacks which roll, and what that means: whatever number of copies is asked for.

What the production file says of a drive decides:

| the production file                                 | a roll that the drive lacks is |
|-----------------------------------------------------|--------------------------------|
| says `holds = "all"`                                | an error                       |
| says `holds = "any"`                                | nothing                        |
| names the drive                                     | a warning                      |
| names it by several volumes: drives that take turns | nothing                        |
| does not name it, or there is none                  | a note, where the drive holds  |
|                                                     | recorded rolls of its unit     |

Every card is copied to the drives that the file names, so a gap on one of them was hardly meant. An error it is only
where somebody wrote down that the drive is to hold everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from rollproof.models.findings import Severity

Holds = Literal["all", "any"]
"""Whether each roll belongs on a drive, or any of them may lie there."""


@dataclass(frozen=True, slots=True)
class DriveFacts:
    """A whole drive that was looked at to its end, by a number that is its own."""

    number: int
    named: bool = False
    """Whether the production file names it."""
    said: Holds | None = None
    """What the file says of it in so many words."""
    takes_turns: bool = False
    """The file names several volumes for it."""
    units: frozenset[str] = frozenset()
    """The units of whose rolls it holds recorded copies; they matter where the file does not name the drive."""


@dataclass(frozen=True, slots=True)
class RollFacts:
    """A roll of the production, by a number that is its own, and the drives that it lies on, whatever it is worth."""

    number: int
    on: frozenset[int]
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Lack:
    """The rolls that a drive lacks, in the order they were given."""

    drive: int
    rolls: tuple[int, ...]
    severity: Severity


def weight(drive: DriveFacts) -> Severity | None:
    """How bad it is that a drive lacks a roll; None where it need not have it."""
    if drive.said is not None:
        return Severity.ERROR if drive.said == "all" else None
    if not drive.named:
        return Severity.NOTE
    return None if drive.takes_turns else Severity.WARNING


def lacking(drives: Iterable[DriveFacts], rolls: Sequence[RollFacts]) -> list[Lack]:
    """What each drive lacks of these rolls, of the drives that should have them all."""
    out = []
    for drive in drives:
        severity = weight(drive)
        meant = [roll for roll in rolls if drive.named or roll.unit in drive.units]
        absent = tuple(roll.number for roll in meant if drive.number not in roll.on)
        if severity is not None and absent:
            out.append(Lack(drive.number, absent, severity))
    return out
