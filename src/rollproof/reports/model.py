"""A report as data: what the ledger and the drives say of a day or of the whole production. The JSON file is this.

Whatever is not known is null and shown as "not known"; nothing is guessed. All texts are made inert before they get
here. Sizes are bytes, durations seconds.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

FORMAT: Literal["rollproof-report/1"] = "rollproof-report/1"

RollState = Literal["proven", "too few copies", "not proven"]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PersonOfReport(_Part):
    """Somebody at a station. A name that was not said is empty."""

    name: str
    role: str


class FindingOfReport(_Part):
    """One thing that is wrong or odd with a roll."""

    severity: Literal["error", "warning", "note"]
    kind: str
    path: str
    detail: str
    drive: str = ""
    found_at: datetime | None = None


class OpenFinding(_Part):
    """What was odd on a card and nobody has accepted: `name` is what it is accepted by."""

    kind: str
    rolls: list[str]
    name: str
    detail: str


class ClipOfReport(_Part):
    """One clip. `hash` is `algorithm:text` of its first original, as recorded; `poster` a data URI of a small picture.

    Texts of what is not known are null: `duration` is `hh:mm:ss.mmm`, `timecode` that of the first frame.
    """

    name: str
    files: int
    bytes: int
    health: Literal["sound", "odd", "damaged", "unknown"] = "unknown"
    path: str | None = None
    hash: str | None = None
    duration: str | None = None
    duration_seconds: float | None = None
    timecode: str | None = None
    frame_rate: str | None = None
    resolution: str | None = None
    codec: str | None = None
    poster: str | None = None


class CopyOfReport(_Part):
    """One copy of a roll. `proof` says how it was read back, `state_at` when it got its state.

    `known_from` is `drive` where this report looked at the drive itself, `ledger` for the station's memory of having
    seen it, `record` where only another copy's record speaks of it: that is never counted.
    """

    drive: str
    role: str
    device: str
    serial: str
    state: str
    proof: Literal["medium", "server", "cache"] | None
    why: str
    state_at: datetime | None
    known_from: Literal["drive", "ledger", "record"]
    folder: str
    bytes_per_second: float | None = None
    """How fast this copy was written during its offload."""


class CardOfReport(_Part):
    """The card of a roll as it was when it was offloaded."""

    label: str
    serial: str | None
    capacity_bytes: int
    file_system: str
    reads: list[str]


class PermitOfReport(_Part):
    """The last word about wiping the card: `given`, `used again` (given, and the card was used since) or
    `withdrawn`."""

    state: str
    at: datetime
    by: PersonOfReport
    detail: str


class LookedAtOfReport(_Part):
    """Who last said to have looked at the pictures."""

    at: datetime
    by: PersonOfReport
    note: str


class RollOfReport(_Part):
    """One roll. `offloaded_at` and `offloaded_by` are of its first offload; `copies_required` what its policy asks."""

    roll: str
    production: str | None
    day: str
    unit: str | None
    camera: str | None
    state: RollState
    devices_proven: int
    copies_required: int
    files: int
    bytes: int
    clips_count: int
    duration_seconds: float | None
    durations_unknown: int
    first_clip: str
    last_clip: str
    offloaded_at: datetime
    offloaded_by: PersonOfReport
    card: CardOfReport | None
    copies: list[CopyOfReport]
    clips: list[ClipOfReport]
    findings: list[FindingOfReport]
    permit: PermitOfReport | None
    looked_at: LookedAtOfReport | None = None


class Totals(_Part):
    """How much, over one camera, one day, or all. `durations_unknown` counts clips whose duration is not known."""

    name: str
    rolls: int
    rolls_proven: int
    clips: int
    files: int
    bytes: int
    duration_seconds: float
    durations_unknown: int


class DayOfCamera(_Part):
    """One camera on one day, for the plots."""

    day: str
    camera: str
    bytes: int
    duration_seconds: float
    durations_unknown: int


class DriveOfReport(_Part):
    """One drive. `free_bytes` is null where it was not looked at now. `full_in_days` is how many more shooting days
    like those so far it can take, `full_on` the date when every day is one; null where that cannot be told."""

    drive: str
    role: str
    device: str
    serial: str
    attached: bool
    capacity_bytes: int
    free_bytes: int | None
    footage_bytes: int
    bytes_per_day: float | None
    full_in_days: int | None
    full_on: str | None


class SpeedOfReport(_Part):
    """How fast one copy was read back: bytes moved in each stretch of `stretch_seconds`, the last one shorter."""

    drive: str
    roll: str
    started_at: datetime
    seconds: float
    bytes: int
    stretch_seconds: float
    stretches: list[int]

    @property
    def bytes_per_second(self) -> float:
        """Over the whole copy."""
        return self.bytes / self.seconds if self.seconds > 0 else 0.0


class Report(_Part):
    """Everything a report says. `day` is null for the whole production; `looked_at` are the drives that were looked
    at now. `notes` are sentences about what this report cannot tell."""

    format: Literal["rollproof-report/1"] = FORMAT
    scope: Literal["day", "production"]
    productions: list[str]
    day: str | None
    days: list[str]
    units: list[str]
    people: list[PersonOfReport]
    made_at: datetime
    made_by: PersonOfReport
    station: str
    version: str
    looked_at: list[str]
    open_findings: list[OpenFinding] = []
    unfinished: list[str] = []
    """Offloads that were begun and are not finished, with what finishes each."""
    rolls: list[RollOfReport]
    total: Totals
    per_camera: list[Totals]
    per_day: list[Totals]
    cameras_by_day: list[DayOfCamera]
    drives: list[DriveOfReport]
    speeds: list[SpeedOfReport]
    notes: list[str]

    @property
    def lacking(self) -> list[RollOfReport]:
        """Rolls that do not have the copies they need."""
        return [roll for roll in self.rolls if roll.state != "proven"]

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")
