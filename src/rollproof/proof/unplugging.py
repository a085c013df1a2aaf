"""May a drive be unplugged? Decided when a copy on it is finished, for the whole drive and everybody who uses it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rollproof.models.events import StillNeeded


@dataclass(frozen=True, slots=True)
class UnpluggingFacts:
    """Who still has business with the drive that a finished copy lies on. Each is about the whole physical drive."""

    gives_to_slower: bool = False
    """A drive that fell behind still gets files of this roll from it."""
    other_destination: bool = False
    """Another destination of this roll lies on it and is not finished."""
    more_rolls: bool = False
    """This run has further rolls for it."""
    histories: bool = False
    """The rolls of this run are done, and the history around them is still to be written on it."""
    other_run: bool | None = False
    """Another run of this station is at work on it; None when that could not be told."""


_RULES: tuple[tuple[StillNeeded, Callable[[UnpluggingFacts], bool]], ...] = (
    (StillNeeded.SLOWER_DRIVE, lambda facts: facts.gives_to_slower),
    (StillNeeded.OTHER_DESTINATION, lambda facts: facts.other_destination),
    (StillNeeded.MORE_ROLLS, lambda facts: facts.more_rolls),
    (StillNeeded.HISTORIES, lambda facts: facts.histories),
    (StillNeeded.OTHER_RUN, lambda facts: facts.other_run is True),
    (StillNeeded.NOT_KNOWN, lambda facts: facts.other_run is None),
)
"""In this order: the first that holds is the one that is said."""


def still_needed(facts: UnpluggingFacts) -> StillNeeded | None:
    """Why the drive has to stay plugged in; None when it may be unplugged."""
    return next((need for need, holds in _RULES if holds(facts)), None)
