"""Drives of an audit that are away: each is told once, with the rolls that lack copies without it, and comes first."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from rollproof.ledger.entries import KnownPlace
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import inert, shown
from rollproof.production.model import Production, ProductionDrive
from rollproof.proof.absence import AwayCopy, ShortRoll, causes
from rollproof.workflows.audit.clones import Clone
from rollproof.workflows.audit.copy import COUNTED, NamedCopy, Place, Told
from rollproof.workflows.audit.rolls import Roll

_NAMED = 6
"""Rolls that are said by name; the rest are counted."""


@dataclass(frozen=True, slots=True)
class NotThere:
    """A path of the request at which a drive was expected: nothing can be opened, or an empty folder lies there."""

    path: bytes
    why: str
    place: Place | None = None
    named: ProductionDrive | None = None
    last: KnownPlace | None = None
    """What this station last saw mounted there."""

    @property
    def drive(self) -> str:
        """What the drive is called that belongs there."""
        return inert(self.named.role) if self.named is not None else shown(os.path.basename(self.path)) or "/"

    @property
    def is_known(self) -> bool:
        """Whether the production file or this station's memory tells which drive that is."""
        return self.named is not None or self.last is not None

    def is_of(self, copy: NamedCopy) -> bool:
        """Whether a copy lies on the drive that belongs there."""
        if copy.serial is not None and self.last is not None and self.last.volume == copy.serial:
            return True
        if self.named is None:
            return self.last is None and self.drive == copy.drive
        return self.named.role == copy.drive or copy.serial in self.named.volume


@dataclass(slots=True)
class Away:
    """What is away, and who says so. `named` are copies on drives that were not looked at, by the roll."""

    gaps: Sequence[NotThere]
    clones: Sequence[Clone]
    named: Mapping[str, Sequence[NamedCopy]]
    told: list[Told] = field(default_factory=list)
    drives: set[str] = field(default_factory=set)
    """The drives that were told of, as records and the production file call them."""

    def explain(self, rolls: Sequence[Roll]) -> set[int]:
        """Put the findings into `told`; returns the numbers of the rolls whose lack of copies they explain."""
        short = [_short(number, roll, self.named.get(roll.name, ())) for number, roll in enumerate(rolls)]
        explained: set[int] = set()
        for drives, numbers in causes(each for each in short if each is not None):
            explained |= set(numbers)
            self._tell(drives, [rolls[number].name for number in numbers])
        for gap in self.gaps:
            if gap.drive not in self.drives:
                self._add(_not_attached(gap), gap.drive)
        for clone in self.clones:
            if clone.original not in self.drives:
                self._add(clone.finding(), clone.original)
        return explained

    def _tell(self, drives: Sequence[str], names: Sequence[str]) -> None:
        copies = [copy for name in names for copy in self.named[name]]
        said, remedies, kinds = [], [], []
        for drive in drives:
            kind, words, remedy = self._of(drive, [copy for copy in copies if copy.drive == drive])
            kinds.append(kind)
            said.append(words)
            remedies.append(remedy)
        it = "it" if len(drives) == 1 else "them"
        finding = error(
            kinds[0],
            f"{', and '.join(said)}; without {it} {_too_few(names)}",
            drive=" and ".join(map(inert, drives)),
            remedy="; ".join(dict.fromkeys(remedies)),
            count=len(names),
        )
        self._add(finding, *drives, roll=names[0] if len(names) == 1 else "")

    def _of(self, drive: str, copies: Sequence[NamedCopy]) -> tuple[Kind, str, str]:
        """The kind, the words and what to do for one drive."""
        serials = {copy.serial for copy in copies if copy.serial is not None}
        clone = next((each for each in self.clones if each.place.volume.serial in serials), None)
        if clone is not None:
            self.drives.add(clone.original)
            return Kind.OTHER_DEVICE, clone.words(), clone.remedy()
        gap = next((each for each in self.gaps if any(each.is_of(copy) for copy in copies)), None)
        if gap is not None:
            self.drives.add(gap.drive)
            return Kind.DRIVE_MISSING, _not_attached(gap).detail, _not_attached(gap).remedy
        words = f"the drive {inert(drive)} was not looked at"
        return Kind.TOO_FEW_COPIES, words, "attach it and audit all drives together; keep the cards until then"

    def _add(self, finding: Finding, *drives: str, roll: str = "") -> None:
        self.drives.update(drives)
        self.told.append(Told("copies", finding, roll, is_cause=True))


def _short(number: int, roll: Roll, named: Iterable[NamedCopy]) -> ShortRoll | None:
    if roll.counted >= roll.required or not any(copy.has_content for copy in roll.copies):
        return None
    counted = tuple(copy.place.volume.device for copy in roll.copies if copy.state in COUNTED and not copy.apart)
    away = tuple(AwayCopy(copy.drive, copy.device) for copy in named if copy.state == "proven")
    return ShortRoll(number, roll.required, counted, away)


def _not_attached(gap: NotThere) -> Finding:
    return error(
        Kind.DRIVE_MISSING,
        f"the drive {gap.drive} is not attached: {gap.why}",
        path=shown(gap.path),
        drive=gap.drive,
        remedy="attach and mount the drive, check the path, and audit again; keep the cards until then",
    )


def _too_few(names: Sequence[str]) -> str:
    first = ", ".join(map(inert, names[:_NAMED]))
    more = f" and {len(names) - _NAMED:,} more" if len(names) > _NAMED else ""
    return f"{len(names):,} {'roll has' if len(names) == 1 else 'rolls have'} too few copies: {first}{more}"


def gap_at(
    path: bytes, why: str, place: Place | None, production: Production | None, last: KnownPlace | None
) -> NotThere:
    """What belongs at a path, by the production file and by what this station last saw there."""
    real = os.path.abspath(path)
    drives = production.drives if production is not None else ()
    for drive in drives:
        own = os.path.normpath(os.fsencode(drive.path)) if drive.path is not None else b""
        if os.path.isabs(own) and (own == real or own.startswith(real.rstrip(b"/") + b"/")):
            return NotThere(path, why, place, drive, last)
    return NotThere(path, why, place, None, last)
