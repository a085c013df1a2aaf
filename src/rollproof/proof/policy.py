"""What a production asks of its copies: every default, and how today's rules go together with those in records.

The stricter of the two holds: the larger number of copies, and only such evidence as both accept.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from rollproof.models.volumes import Evidence

COPIES_REQUIRED = 2
"""Proven copies on devices of their own, where nothing says otherwise."""
ACCEPTED_EVIDENCE = (Evidence.MEDIUM, Evidence.SERVER)
"""Read-backs that count, where nothing says otherwise. A cache never counts."""
ABSENT_COPY_HOURS = 24
"""How long a copy counts after its drive was unplugged, where nothing says otherwise."""
BUILT_IN = "the rules that are built in"


@dataclass(frozen=True, slots=True)
class Rules:
    """Today's rules. `source` says where they come from, `production` whose they are (None: anybody's)."""

    copies_required: int = COPIES_REQUIRED
    accepted: tuple[Evidence, ...] = ACCEPTED_EVIDENCE
    absent_copy_hours: float = ABSENT_COPY_HOURS
    reread_copies: bool = False
    production: str | None = None
    ignore: tuple[str, ...] = ()
    source: str = BUILT_IN

    def required_of(self, production: str | None) -> int | None:
        """How many copies a production file asks for; None for another production's roll, and where there is no file:
        what its records ask for holds, else `COPIES_REQUIRED`."""
        return self.copies_required if self.production is not None and production in (None, self.production) else None

    def accepted_for(self, production: str | None) -> frozenset[Evidence]:
        """The evidence that counts today for a copy of this production; another's copies have the rules of their
        records alone."""
        if self.production is not None and production not in (None, self.production):
            return frozenset(ACCEPTED_EVIDENCE)
        return frozenset(self.accepted)


def accepted_evidence(today: Collection[Evidence] | None, recorded: Collection[Evidence]) -> frozenset[Evidence]:
    """What counts for a copy whose record accepts `recorded`; `today` None where no rules of today are at hand."""
    return frozenset(recorded) if today is None else frozenset(recorded) & frozenset(today)


def copies_required(today: int | None, recorded: Iterable[int]) -> int:
    """How many copies a roll needs whose records ask for `recorded` (0: nothing is said)."""
    asked = [number for number in (today, *recorded) if number]
    return max(asked, default=COPIES_REQUIRED)


@dataclass(frozen=True, slots=True, order=True)
class Required:
    """How many proven copies are asked for, and which record asks for so many; no `source`: today's rules do."""

    copies: int
    source: str = ""

    @property
    def words(self) -> str:
        """As it is said wherever it decides."""
        return f"{self.copies} are required" + (f", as {self.source} asks" if self.source else "")


def strictest(today: int, recorded: Iterable[Required]) -> Required:
    """The larger number holds. A record is named only where it asks for more than today's rules; of several that ask
    for as many, the first."""
    found = Required(today)
    for each in recorded:
        if each.copies > found.copies:
            found = each
    return found


def may_rule(*, named: bool, on_card: bool, on_drive: bool) -> bool:
    """Whether a production file rules. `on_card`: it lies on the card that is judged or offloaded; `on_drive`: on a
    drive that is.

    | it lies                  | found  | named  |
    |--------------------------|--------|--------|
    | anywhere else            | rules  | rules  |
    | on such a drive          | -      | rules  |
    | on the card              | -      | -      |
    """
    return not on_card and (named or not on_drive)
