"""May footage be written where a destination lies? Decided before the first byte, from what is known of the place.

A drive that was unplugged leaves its mount folder behind, and whatever is written there lands on the computer's own
disk: two such folders are one device, and neither leaves with the courier.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class LocationFacts:
    """What is known of the place where one destination lies.

    Volumes are given by an identity, a text that is equal exactly for the same volume; None where nothing is known.
    """

    on_system: bool
    """It lies on a volume of the operating system or of the user's home."""
    meant: bool = False
    """A person said that this computer's own disk is meant."""
    under_mount_root: bool = False
    """It lies where systems mount drives (`/mnt`, `/media`, `/Volumes` …)."""
    named: bool = False
    """The production file names it as a drive."""
    here: str | None = None
    """The volume that lies there now."""
    last_at_path: str | None = None
    """The drive that this station last saw mounted at or above the path."""
    last_in_role: str | None = None
    """The drive that this station last saw in this role of the production."""
    holds_station_home: bool = False
    """The station's own files lie on the same volume."""


class LocationReason(StrEnum):
    """What there is to say of a place."""

    OTHER_AT_PATH = "this station last saw a drive at this path"
    OTHER_IN_ROLE = "this station last saw a drive in this role"
    NAMED_DRIVE = "the production file names a drive here"
    MOUNT_ROOT = "drives are mounted here"
    SYSTEM_MEANT = "the computer's own disk is meant"
    ANOTHER_DRIVE = "another drive is in the place of the role"
    STATION_HOME = "the station's own files lie on the drive"


REFUSED = frozenset(
    {
        LocationReason.OTHER_AT_PATH,
        LocationReason.OTHER_IN_ROLE,
        LocationReason.NAMED_DRIVE,
        LocationReason.MOUNT_ROOT,
    }
)
"""Reasons for which nothing is written; all others are announced, and the work goes on."""


def _is_other(last: str | None, facts: LocationFacts) -> bool:
    return last is not None and last != facts.here


_RULES: tuple[tuple[LocationReason, Callable[[LocationFacts], bool]], ...] = (
    (LocationReason.SYSTEM_MEANT, lambda facts: facts.on_system and facts.meant),
    (LocationReason.OTHER_AT_PATH, lambda facts: facts.on_system and _is_other(facts.last_at_path, facts)),
    (LocationReason.OTHER_IN_ROLE, lambda facts: facts.on_system and _is_other(facts.last_in_role, facts)),
    (LocationReason.NAMED_DRIVE, lambda facts: facts.on_system and facts.named),
    (LocationReason.MOUNT_ROOT, lambda facts: facts.on_system and facts.under_mount_root),
    (LocationReason.ANOTHER_DRIVE, lambda facts: not facts.on_system and _is_other(facts.last_in_role, facts)),
)
"""In this order: the first that holds is the one that is said."""


def judge_location(facts: LocationFacts) -> tuple[LocationReason, ...]:
    """What is to be said of the place: at most one reason about the volume, and one about the station's own files.

    The place is refused when one of them is in `REFUSED`; empty when there is nothing to say.
    """
    reasons = [next((reason for reason, holds in _RULES if holds(facts)), None)]
    # on the computer's own disk the station's files are where they belong
    reasons.append(LocationReason.STATION_HOME if facts.holds_station_home and not facts.on_system else None)
    return tuple(reason for reason in reasons if reason is not None)
