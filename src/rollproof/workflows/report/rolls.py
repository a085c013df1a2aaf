"""Rolls in the making for a report: what the ledger and each drive add to one, and what comes of it in the end."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from rollproof.copies.card_findings import OnTheCard
from rollproof.ledger.entries import DriveIdentity
from rollproof.models.names import inert
from rollproof.models.volumes import Device
from rollproof.proof.devices import count_devices, worth
from rollproof.proof.on_the_card import ClipContents
from rollproof.proof.permits import CardUse, judge_permit
from rollproof.proof.policy import COPIES_REQUIRED, Rules, copies_required
from rollproof.reports.model import (
    CardOfReport,
    ClipOfReport,
    CopyOfReport,
    FindingOfReport,
    LookedAtOfReport,
    PermitOfReport,
    PersonOfReport,
    RollOfReport,
    RollState,
    SpeedOfReport,
)

_RANK = {"drive": 0, "ledger": 1, "record": 2}


@dataclass(slots=True)
class CopyFound:
    """One copy, by device and volume (`identity`) and by its folder there."""

    identity: str
    device: Device
    copy: CopyOfReport
    capacity_bytes: int = 0
    """Of its volume, where that was told; 0 where not."""
    on: DriveIdentity | None = None
    founder: str | None = None
    seen_at: datetime | None = None
    """When this station last saw it; None for a copy that was looked at now."""


@dataclass(slots=True, eq=False)
class RollFound:
    """One roll. Two cards that bore one name are two rolls: `card_key` tells them apart."""

    production: str | None
    roll: str
    card_key: str
    offloaded_at: datetime
    offloaded_by: PersonOfReport
    day: str | None = None
    unit: str | None = None
    camera: str | None = None
    copies_required: int = COPIES_REQUIRED
    card: CardOfReport | None = None
    files: int = 0
    size_bytes: int = 0
    clips_count: int = 0
    first_clip: str = ""
    last_clip: str = ""
    copies: dict[tuple[str, str], CopyFound] = field(default_factory=dict)
    findings: dict[tuple[str, str, str], FindingOfReport] = field(default_factory=dict)
    permits: list[PermitOfReport] = field(default_factory=list)
    on_card: OnTheCard = field(default_factory=OnTheCard)
    """What was odd on its card, and what a person has accepted of it."""
    contents: ClipContents = field(default_factory=ClipContents)
    given: dict[datetime, CardUse] = field(default_factory=dict)
    """The permits among them that were given: for which card, and what was on it."""
    uses: list[CardUse] = field(default_factory=list)
    """Its card as it was at each offload."""
    looked_at: list[LookedAtOfReport] = field(default_factory=list)
    clips: list[ClipOfReport] = field(default_factory=list)
    people: dict[tuple[str, str], PersonOfReport] = field(default_factory=dict)
    speeds: dict[tuple[str, datetime], SpeedOfReport] = field(default_factory=dict)
    offload_ids: list[int] = field(default_factory=list)
    """Its runs in the ledger, newest first."""
    ledger_id: int | None = None
    superseded: frozenset[tuple[str, str]] = frozenset()
    """Copies that were seen since as something else: `superseded_copies`."""

    def add_copy(self, found: CopyFound) -> None:
        """Take in what is known of a copy; what was seen on the drive itself goes before any memory."""
        key = (found.identity, found.copy.folder)
        have = self.copies.get(key)
        if have is None or _RANK[found.copy.known_from] < _RANK[have.copy.known_from]:
            self.copies[key] = found

    def apply(self, rules: Rules) -> None:
        """Let today's rules hold beside those of the records: copies that only the ledger remembers, too."""
        self.copies_required = copies_required(rules.required_of(self.production), [self.copies_required])
        accepted = {evidence.value for evidence in rules.accepted_for(self.production)}
        for found in self.copies.values():
            copy = found.copy
            if copy.state == "proven" and copy.known_from == "ledger" and copy.proof not in accepted:
                found.copy = copy.model_copy(update={"state": "copied"})

    def judge_permits(self, uses: Sequence[CardUse]) -> None:
        """Say which permits were given for a card that was used again since."""
        for number, permit in enumerate(self.permits):
            given = self.given.get(permit.at)
            if permit.state == "given" and given is not None:
                self.permits[number] = permit.model_copy(update={"state": judge_permit(given, uses)})

    def add_finding(self, finding: FindingOfReport) -> None:
        """Take in a finding; ledger and record tell of the same one."""
        self.findings.setdefault((finding.severity, finding.path, finding.detail), finding)

    def add_speed(self, speed: SpeedOfReport) -> None:
        """Take in how fast a copy was read back; ledger and record tell of the same leg."""
        self.speeds.setdefault((speed.drive, speed.started_at.replace(microsecond=0)), speed)

    def add_person(self, person: PersonOfReport) -> None:
        """Somebody who had to do with it."""
        if person.name or person.role:
            self.people.setdefault((person.name, person.role), person)

    @property
    def devices_proven(self) -> int:
        """Proven copies, each device once; all that could not be told count as one; hearsay, and what was seen since as
        something else, not at all."""
        return count_devices(each.device for key, each in self.proven().items() if key not in self.superseded)

    def proven(self) -> dict[tuple[str, str], CopyFound]:
        """The copies that count, but for those that were seen since as something else."""
        return {
            key: each
            for key, each in self.copies.items()
            if each.copy.state == "proven" and each.copy.known_from != "record"
        }

    @property
    def state(self) -> RollState:
        """What its copies are worth together."""
        return worth(self.devices_proven, self.copies_required)

    def finished(self, day: str) -> RollOfReport:
        """The roll as the report has it."""
        clips = self.clips
        unknown = sum(clip.duration_seconds is None for clip in clips) if clips else self.clips_count
        known = [clip.duration_seconds for clip in clips if clip.duration_seconds is not None]
        severity = {"error": 0, "warning": 1, "note": 2}
        return RollOfReport(
            roll=inert(self.roll),
            production=inert(self.production) if self.production else None,
            day=inert(day),
            unit=inert(self.unit) if self.unit else None,
            camera=inert(self.camera) if self.camera else None,
            state=self.state,
            devices_proven=self.devices_proven,
            copies_required=self.copies_required,
            files=self.files,
            bytes=self.size_bytes,
            clips_count=len(clips) or self.clips_count,
            duration_seconds=sum(known) if known else None,
            durations_unknown=unknown,
            first_clip=inert(self.first_clip),
            last_clip=inert(self.last_clip),
            offloaded_at=self.offloaded_at,
            offloaded_by=self.offloaded_by,
            card=self.card,
            copies=[each.copy for each in sorted(self.copies.values(), key=_order)],
            clips=clips,
            findings=sorted(self.findings.values(), key=lambda found: severity[found.severity]),
            permit=max(self.permits, key=lambda permit: permit.at, default=None),
            looked_at=max(self.looked_at, key=lambda looked: looked.at, default=None),
        )


def _order(found: CopyFound) -> tuple[int, str]:
    return _RANK[found.copy.known_from], found.copy.drive


class RollsFound:
    """All rolls, found again by production, name and card."""

    def __init__(self) -> None:
        self.all: list[RollFound] = []
        self.numbers: dict[str, int] = {}
        """The drives that this station remembers, by identity."""
        self.uses: list[CardUse] = []
        """Every card as it was at each offload that this station remembers."""

    def get(self, production: str | None, roll: str, keys: Iterable[str]) -> RollFound | None:
        """The roll, if it is known by one of its card's keys."""
        wanted = {key for key in keys if key}
        return next(
            (
                found
                for found in self.all
                if found.roll == roll and found.production == production and found.card_key in wanted
            ),
            None,
        )

    def add(self, found: RollFound) -> RollFound:
        """A roll that was not known before."""
        self.all.append(found)
        return found


def person_of(name: str, role: str) -> PersonOfReport:
    """A person, inert."""
    return PersonOfReport(name=inert(name)[:200], role=inert(role)[:200])


def card_of(
    *, label: str, serial: str | None, capacity_bytes: int, file_system: str, reads: Sequence[str]
) -> CardOfReport:
    """A card, inert."""
    return CardOfReport(
        label=inert(label)[:200],
        serial=inert(serial)[:200] if serial else None,
        capacity_bytes=capacity_bytes,
        file_system=inert(file_system)[:40],
        reads=[inert(read)[:20] for read in reads],
    )


def finding_of_report(
    severity: str, kind: str, path: str, detail: str, drive: str = "", found_at: datetime | None = None
) -> FindingOfReport:
    """A finding, inert."""
    word: Literal["error", "warning", "note"] = (
        "error" if severity == "error" else "warning" if severity == "warning" else "note"
    )
    return FindingOfReport(
        severity=word,
        kind=inert(kind)[:60],
        path=inert(path)[:500],
        detail=inert(detail)[:1000],
        drive=inert(drive)[:200],
        found_at=found_at,
    )
