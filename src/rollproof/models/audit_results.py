"""What `audit` gives back: the JSON contract of `audit --json` as models."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding

CopyState = Literal[
    "proven",
    "reread",
    "copied",
    "listed",
    "damaged",
    "incomplete",
    "records broken",
    "record only",
    "no record",
    "empty",
]
"""What a copy is worth. `proven`: by its records, and every file lies there at its recorded size and date. `reread`:
every file was read again from the medium in this audit, and is as recorded. `copied`: all there, but no proof for this
device. `listed`: no records and no history, but a checksum file names its files, and they are there. `damaged`: a file
is not what was recorded. `incomplete`: files are missing, or its offload did not finish."""

RollState = Literal["proven", "too few copies", "damaged", "missing"]

Topic = Literal["copies", "completeness", "agreement", "custody", "strangers"]
"""Which question of the audit a finding answers."""


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditFinding(Finding):
    """A finding, with the question it answers and the roll it is about (empty: none, or several)."""

    topic: Topic
    roll: str = ""

    @classmethod
    def of(cls, found: Finding, topic: Topic, roll: str = "") -> AuditFinding:
        """The finding as the audit tells it."""
        return cls(**{each.name: getattr(found, each.name) for each in fields(Finding)}, topic=topic, roll=roll)


class AuditDrive(_Result):
    """One drive or folder that was looked at: a column of the matrix. `device` numbers physical devices from 1: two
    drives with one number are one device, and their copies count once. 0 is a device that could not be told."""

    path: str
    name: str
    volume: str | None
    label: str
    device_label: str
    device: int
    read_only: bool
    copies: int
    files: int
    bytes: int


class AuditCopy(_Result):
    """One copy of a roll: `drive` is the number of its drive in `drives`, from 0. `counted` is whether it counts."""

    drive: int
    path: str
    state: CopyState
    counted: bool
    files: int
    bytes: int
    why: str = ""
    record: str | None = None


class AuditRoll(_Result):
    """One roll over all drives. `permit` is when its card was permitted to be wiped; `permit_used_again`
    whether that card was used since, so that the permit says nothing about what is on it now."""

    name: str
    production: str | None
    day: str | None
    unit: str | None
    camera: str | None
    state: RollState
    copies_required: int
    copies_counted: int
    files: int
    bytes: int
    permit: str | None
    permit_used_again: bool = False
    copies: list[AuditCopy]


class AuditResult(_Result):
    """Everything an `audit` has to say. `basis` is `listing` (nothing of the footage was read) or `reread`."""

    verdict: Literal["complete", "not complete"]
    basis: Literal["listing", "reread"]
    productions: list[str]
    begun_at: str
    by: str
    station: str
    drives: list[AuditDrive]
    rolls: list[AuditRoll]
    findings: list[AuditFinding]
    copies_reread: int
    bytes_reread: int
    copies_read_before: int
    """Copies that a stopped run of this audit had read already."""
    document: str | None
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")
