"""What was odd about a card when it was offloaded stays a finding of its roll until a person accepts it.

The copies may be proven all the same: they are as good as the card was.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

from rollproof.models.findings import Kind
from rollproof.models.names import inert

STAYS = (Kind.DAMAGED_CLIP, Kind.CLIP_NUMBERS_GAP, Kind.CLIP_NAME_TWICE)
"""Kinds that are not forgotten when the offload is over."""

_MOST_CONTENTS = 8
"""Files of one clip that are kept to compare it with a clip of the same name."""


@dataclass(frozen=True, slots=True)
class CardFinding:
    """One such finding. `name` is what it is accepted by: the clip, or the first one that is missing."""

    kind: Kind
    name: str
    detail: str


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What a record says that a person accepted. An empty `kind`: whatever has that name."""

    kind: str
    name: str
    person: str = ""
    reason: str = ""


def accepted_by(finding: CardFinding, acceptances: Iterable[Acceptance]) -> Acceptance | None:
    """The newest acceptance of a finding; None while nobody has accepted it."""
    found = None
    for each in acceptances:
        if each.name == finding.name and each.kind in ("", finding.kind.value):
            found = each
    return found


def outstanding(found: Iterable[CardFinding], acceptances: Iterable[Acceptance]) -> list[CardFinding]:
    """What nobody has accepted yet, each once."""
    given = tuple(acceptances)
    return [finding for finding in dict.fromkeys(found) if accepted_by(finding, given) is None]


@dataclass(slots=True)
class ClipContents:
    """The clips of one roll by name, and what a few of their files hash to (`algorithm text`)."""

    by_name: dict[str, set[str]] = field(default_factory=dict)

    def add(self, name: str, hashes: Mapping[str, str]) -> None:
        """Take in an essence file of a clip. Names are the same without regard to case."""
        contents = self.by_name.setdefault(name.upper(), set())
        if len(contents) < _MOST_CONTENTS:
            contents |= {f"{algorithm} {text}" for algorithm, text in hashes.items()}


def are_others(one: set[str], other: set[str]) -> bool:
    """Whether two clips have other content: nothing in common by any algorithm that both were hashed with."""
    return bool(_algorithms(one) & _algorithms(other)) and not one & other


def same_names(rolls: Sequence[tuple[str | None, ClipContents]]) -> list[tuple[str, list[int]]]:
    """Clips of one name in several rolls of one production, with other content: each name, and which rolls. A roll is
    given by its production and its clips."""
    by_name: dict[tuple[str | None, str], list[tuple[int, set[str]]]] = {}
    for number, (production, clips) in enumerate(rolls):
        for name, contents in clips.by_name.items():
            by_name.setdefault((production, name), []).append((number, contents))
    out = []
    for (_, name), members in sorted(by_name.items(), key=lambda item: item[0][1]):
        pairs = [(one, other) for (one, a), (other, b) in combinations(members, 2) if are_others(a, b)]
        if pairs:
            out.append((name, sorted({number for pair in pairs for number in pair})))
    return out


def clip_name_twice(name: str, rolls: Iterable[str]) -> CardFinding:
    """The finding about such a name."""
    where = " and ".join(inert(roll) for roll in rolls)
    detail = f"a clip called {inert(name)} is in rolls {where}, with other content in each"
    return CardFinding(Kind.CLIP_NAME_TWICE, name, detail)


def _algorithms(contents: Iterable[str]) -> set[str]:
    return {content.partition(" ")[0] for content in contents}
