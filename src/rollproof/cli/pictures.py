"""What a screen is given to draw: a still picture of the work, and the moments that are worth a line of their own."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rollproof.models.events import Leg, RollPlanned, StillNeeded
from rollproof.models.findings import Finding


class LaneState(StrEnum):
    """What a lane is doing, whatever its leg."""

    WAITING = "waiting"
    WORKING = "working"
    STALLED = "stalled"
    ENDED = "ended"
    STOPPED = "stopped"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Lane:
    """One line of the screen: the card (`drive` empty) or a drive, and the leg it is on.

    `fraction` is 0…1 of this leg, None when there is nothing to measure. `rate` is in bytes per second.
    `seconds_left` is for this leg alone. `quiet_seconds` is how long nothing has moved, when that is worth saying.
    `done` is the state of `DriveDone` once it came.
    """

    drive: str
    leg: Leg | None
    state: LaneState
    fraction: float | None
    left_bytes: int
    rate: float | None
    seconds_left: float | None
    quiet_seconds: float
    path: str
    done: str = ""
    needed: StillNeeded | None = None
    """Who still needs it although it is done."""


@dataclass(frozen=True, slots=True)
class Picture:
    """The state of the roll being worked on, at one moment.

    `card_free_seconds` and `proven_seconds` count from now; None means that it is too early to say.
    `fraction` is over all legs of the roll.
    """

    roll: str
    plan: RollPlanned | None
    lanes: tuple[Lane, ...]
    card_free: bool
    card_free_seconds: float | None
    proven_seconds: float | None
    all_done: bool
    fraction: float
    cards_before: int
    cards_total: int
    elapsed_seconds: float
    read_again: bool = False
    """The card has been read, and has to be read again."""

    @property
    def of_copy(self) -> bool:
        """Whether the roll is copied from a recorded copy and not from its card."""
        return self.plan is not None and self.plan.of_copy


class MomentKind(StrEnum):
    """What is worth a line of its own."""

    PLANNED = "planned"
    CARD_FREE = "card free"
    DRIVE_LOST = "drive lost"
    DRIVE_DONE = "drive done"
    FINDING = "finding"


@dataclass(frozen=True, slots=True)
class Moment:
    """Something to be said once. `needed` is who still needs the drive, None when it may be unplugged."""

    kind: MomentKind
    roll: str
    drive: str = ""
    state: str = ""
    needed: StillNeeded | None = None
    plan: RollPlanned | None = None
    finding: Finding | None = None
    of_copy: bool = False
    read_again: bool = False
