"""What the core says while it works. Screens, JSON lines and tests subscribe; the core prints nothing.

Events may come from any thread; `Emit` is called under the bus's lock, so a subscriber must be quick.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from rollproof.models.findings import Finding


class Leg(StrEnum):
    """A stretch of work that moves on its own."""

    READ_CARD = "read card"
    WRITE = "write"
    CATCH_UP = "catch up"
    """Writing what a drive that fell behind still lacks, read from another drive's copy."""
    READ_CARD_AGAIN = "read card again"
    READ_BACK = "read back"
    RECORD = "record"


@dataclass(frozen=True, slots=True)
class DrivePlan:
    """What one drive is to get. `drive` is the name used in every later event."""

    drive: str
    role: str
    path: str
    write_files: int
    write_bytes: int
    read_back_files: int
    read_back_bytes: int
    already_proven_files: int
    free_bytes: int | None = None
    """What is free on the drive now; None where it does not say."""
    seconds: float | None = None
    """How long it will take at the pace of the newest copy there; None where none is remembered, or nobody asked."""


@dataclass(frozen=True, slots=True)
class RollPlanned:
    """The plan of one card, before the first byte. `source_passes` is 1 or 2.

    `of_copy` says that not the card but a recorded copy of its roll is copied on; it is then roll `number` of `total`
    (0: not known) of what was named.
    """

    roll: str
    card: str
    clips: int
    files: int
    size_bytes: int
    source_passes: int
    drives: tuple[DrivePlan, ...]
    layout: str = ""
    """How the clips were recognised, in words; empty for clips by folder and name."""
    roll_from: str = ""
    """What on the card told the roll's name, in words; empty where a person gave it."""
    first_clip: str = ""
    last_clip: str = ""
    of_copy: bool = False
    number: int = 0
    total: int = 0


@dataclass(frozen=True, slots=True)
class LegStarted:
    """`drive` is empty for the card's own legs. Totals are of this leg."""

    roll: str
    leg: Leg
    drive: str
    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Moved:
    """Bytes and files a leg has moved since its last `Moved`. `path` is the file being worked on, as text."""

    roll: str
    leg: Leg
    drive: str
    size_bytes: int
    files: int
    path: str


@dataclass(frozen=True, slots=True)
class LegEnded:
    """A leg came to its end; `ok` is False when the drive or the card failed on the way."""

    roll: str
    leg: Leg
    drive: str
    ok: bool


@dataclass(frozen=True, slots=True)
class FindingRaised:
    """Something is wrong or odd, said the moment it is known. `roll` may be empty."""

    roll: str
    finding: Finding


@dataclass(frozen=True, slots=True)
class CardFree:
    """The last read of the card has ended: it may be pulled (pulled, not wiped), unless it has to be `read_again`."""

    roll: str
    read_again: bool = False


class StillNeeded(StrEnum):
    """Who keeps a drive from being unplugged although a copy on it is finished."""

    SLOWER_DRIVE = "slower-drive"
    """A drive that fell behind gets the rest from it."""
    OTHER_DESTINATION = "other-destination"
    """Another destination of this roll lies on the same drive."""
    MORE_ROLLS = "more-rolls"
    """Further rolls of this run go there."""
    HISTORIES = "histories"
    """The history around the rolls is written at the end."""
    OTHER_RUN = "other-run"
    """Another run of this station is at work on it."""
    NOT_KNOWN = "not-known"
    """Whether another run is could not be told."""


@dataclass(frozen=True, slots=True)
class DriveDone:
    """Records lie on the drive: it may be unplugged, unless it is still `needed`; where that ends within the roll, the
    event comes once more. `state` is `proven`, `copied`, `failed` or `incomplete`."""

    roll: str
    drive: str
    state: str
    needed: StillNeeded | None = None


Event = RollPlanned | LegStarted | Moved | LegEnded | FindingRaised | CardFree | DriveDone
Emit = Callable[[Event], None]
