"""What is offloaded, as every step of an offload sees it: a card, or a recorded copy that is copied on.

Two classes keep this protocol, and nothing else asks which of them it has: `CardSource` and `RecordedSource`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from rollproof.models.findings import Finding, Kind
from rollproof.models.tree import Clip, FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.proof.board import ProofBoard
from rollproof.proof.source_rule import SourceRule
from rollproof.records.models import SourceKind
from rollproof.station.context import Context
from rollproof.tree.ignore import IgnoreRules
from rollproof.workflows.offload.carried import Carried
from rollproof.workflows.offload.order import Destination, Order


@dataclass(frozen=True, slots=True)
class Destinations:
    """Where a roll goes on every drive, and what there is to say about it. `day` is the shooting day of that folder,
    where an earlier day's roll is gone on with."""

    wanted: list[Destination]
    findings: list[Finding]
    day: str | None = None


class Source(Protocol):
    """A roll that is open, locked where it is a recorded copy, and listed. Whoever opened it closes `root`."""

    path: bytes
    root: int
    volume: Volume
    snapshot: Snapshot
    """What is to be copied; of a recorded copy with the modification times that were recorded."""
    clips: list[Clip]
    roll: str
    roll_from: str
    """What on the card told the roll's name; empty where a person or a record gave it."""
    findings: list[Finding]
    counts: bool
    """Whether what is read is itself a proven copy of the roll."""
    lacking: tuple[FileEntry, ...]
    """Files of a recorded roll, as recorded, that are not to be read from this copy of it: they are gone or bad."""

    @property
    def kind(self) -> SourceKind:
        """Whether it is a card or a copy."""
        ...

    @property
    def known_as(self) -> Volume:
        """The card that the roll is known by, whichever copy of it is read."""
        ...

    @property
    def rules(self) -> IgnoreRules:
        """What of it is left out."""
        ...

    @property
    def rule(self) -> SourceRule:
        """What its reads have to show."""
        ...

    @property
    def passes(self) -> int:
        """How often all of it is read."""
        ...

    @property
    def dates_are_recorded(self) -> bool:
        """Whether modification times come from a record, so that the source's own tell nothing while it is read."""
        ...

    @property
    def copied_around(self) -> frozenset[Kind]:
        """Errors that are about single things in it: the rest is still copied."""
        ...

    @property
    def place(self) -> tuple[int, int]:
        """Its number among the rolls that were named together, and how many those are; (0, 0) for a card."""
        ...

    @property
    def copy_folder(self) -> bytes | None:
        """Where a recorded copy lies on its volume; None for a card."""
        ...

    @property
    def carried(self) -> Carried | None:
        """The histories that go along before anything is appended; None for a card."""
        ...

    def production(self, order: Order) -> str | None:
        """The production that the records are to name."""
        ...

    def day_and_unit(self, order: Order, day: str | None) -> tuple[str | None, str | None]:
        """The shooting day and unit that the records are to name; `day` is that of `Destinations`."""
        ...

    def destinations(self, order: Order, ctx: Context) -> Destinations:
        """Where the roll goes on every drive."""
        ...

    def algorithms(self, asked: Iterable[str]) -> tuple[str, ...]:
        """The algorithms to compute."""
        ...

    def settle(self, board: ProofBoard, ctx: Context) -> Sequence[Finding]:
        """Look at the source after its last read. Raises Interrupted."""
        ...
