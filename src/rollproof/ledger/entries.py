"""What goes into the ledger and what comes out: plain values, no rows, no SQL.

`…Note` goes in, `Known…` comes out. Moments are datetimes with an offset.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from rollproof.models.findings import Finding
from rollproof.models.requests import Person
from rollproof.models.volumes import Device, Evidence, Volume
from rollproof.proof.policy import COPIES_REQUIRED
from rollproof.proof.readings import Unsettled

CopyState = Literal["proven", "copied", "unproven", "failed", "incomplete"]
BAD: tuple[CopyState, ...] = ("failed", "incomplete", "unproven")
"""Last words on a copy that stand until a newer record on its drive says otherwise."""
NOBODY = Person()
PermitState = Literal["pending", "given", "withdrawn"]


@dataclass(frozen=True, slots=True)
class DriveIdentity:
    """A volume on a device, as far as it could be told. Two with one `text` are one to the ledger."""

    device_key: str | None
    volume_serial: str | None
    kind: str = "unknown"
    model: str = ""
    serial: str = ""
    size_bytes: int | None = None
    volume_label: str = ""
    file_system: str = ""
    capacity_bytes: int = 0
    source: str = ""
    boot_id: str | None = None
    device_number: int = 0

    @classmethod
    def of(cls, volume: Volume) -> DriveIdentity:
        """The identity of an attached volume."""
        device: Device = volume.device
        return cls(
            device_key=device.key,
            volume_serial=volume.serial,
            kind=device.kind,
            model=device.model,
            serial=device.serial,
            size_bytes=device.size_bytes,
            volume_label=volume.label,
            file_system=volume.file_system,
            capacity_bytes=volume.capacity_bytes,
            source=volume.source,
            boot_id=volume.boot_id,
            device_number=volume.st_dev,
        )

    @property
    def volume_text(self) -> str:
        """The volume, whatever dock its device is in; where it has no identity, what else tells it."""
        return self.volume_serial or self.text

    @property
    def device(self) -> Device:
        """The device, as far as it is remembered."""
        return Device(
            self.device_key,
            self.kind,
            model=self.model,
            serial=self.serial,
            size_bytes=self.size_bytes,
            label=self.model or self.volume_label,
        )

    @property
    def text(self) -> str:
        """The identity as one string: device and volume; for a share the share; for what could not be told the mount
        of that boot."""
        if self.device_key is not None:
            return json.dumps([self.device_key, self.volume_serial])
        if self.kind == "network":
            return json.dumps(["share", self.file_system, self.source, self.volume_serial])
        return json.dumps(["unknown", self.source, self.volume_serial, self.boot_id, self.device_number])


@dataclass(frozen=True, slots=True)
class PlaceNote:
    """A drive as a destination: where it is mounted, and in which role of which production (`role` empty: in none).

    `volume` tells it from others, `drive` names it for people.
    """

    mount_point: bytes
    volume: str
    drive: str
    role: str = ""
    production: str = ""


@dataclass(frozen=True, slots=True)
class KnownPlace:
    """The drive that was last seen at a place: see `PlaceNote`."""

    volume: str
    drive: str
    seen_at: datetime


@dataclass(frozen=True, slots=True)
class CardNote:
    """The card of an offload, as it was then. `reads` is the evidence of each pass over it."""

    volume_name: str
    serial: str | None
    capacity_bytes: int
    file_system: str
    boot_id: str | None
    disk_sequence: int | None
    mount_point: bytes
    device_number: int
    device_key: str | None
    listing_digest: str
    reads: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class RecordNote:
    """A record that lies on a drive. `by_us` is whether this station wrote it or read it itself from the drive."""

    name: str
    sequence: int
    kind: str
    sha256: str
    previous_sha256: str | None
    written_at: datetime
    person: Person = NOBODY
    station: str = ""
    verdict: str = ""
    detail: str = ""
    by_us: bool = True


@dataclass(frozen=True, slots=True)
class PaceNote:
    """How fast one leg of a copy went (`write` or `read back`): bytes moved in each stretch of so many seconds."""

    leg: str
    started_at: datetime
    seconds: float
    size_bytes: int
    stretch_seconds: float
    stretches: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class CopyNote:
    """One copy of the roll. `folder` is relative to the volume's mount point; `seen_at` is when this station had it
    before its eyes, None when it is known from hearsay (a sibling's record), told at `said_at`. `pace` is how fast it
    was made, as its own record tells."""

    identity: DriveIdentity
    folder: bytes
    drive: str
    role: str
    state: CopyState
    readback: Evidence | None
    seen_at: datetime | None
    why: str = ""
    record: RecordNote | None = None
    said_at: datetime | None = None
    pace: tuple[PaceNote, ...] = ()
    founder: str | None = None
    """The copy's identity, as its records tell (`proof.identity`)."""


@dataclass(frozen=True, slots=True)
class ClipNote:
    """One clip of a roll. What is not known of it is None; the texts are those of the record (`records.rows`)."""

    name: str
    files: int
    size_bytes: int
    health: str = "unknown"
    duration: str | None = None
    timecode: str | None = None
    frame_rate: str | None = None
    resolution: str | None = None
    codec: str | None = None


@dataclass(frozen=True, slots=True)
class FileNote:
    """One file of an offload; `hash_text` of the offload's algorithm, None for a file that could not be read."""

    path: bytes
    size: int
    modified_ns: int
    hash_text: str | None


@dataclass(frozen=True, slots=True)
class OffloadNote:
    """One run over a card and what came of it on every drive. `algorithm` is that of the files' `hash_text`."""

    production: str | None
    roll: str
    card: CardNote
    algorithm: str
    written_at: datetime
    copies: tuple[CopyNote, ...]
    person: Person = NOBODY
    station: str = ""
    day: str | None = None
    unit: str | None = None
    camera: str | None = None
    clips: tuple[ClipNote, ...] = ()
    findings: tuple[Finding, ...] = ()
    copies_required: int = COPIES_REQUIRED


@dataclass(frozen=True, slots=True)
class ReadingNote:
    """A reading of what lies in a folder of a volume, by a command, begins. `newest_record` is the SHA-256 of the
    newest word in the records there; empty where there is none."""

    identity: DriveIdentity
    folder: bytes
    drive: str
    command: str
    began_at: datetime
    newest_record: str = ""


@dataclass(frozen=True, slots=True)
class BadNews:
    """Something wrong with what is being read: what the copies there are now, why, and with which file it began."""

    state: CopyState
    why: str
    at: datetime
    path: str = ""
    count: int = 1


@dataclass(frozen=True, slots=True)
class PermitNote:
    """A card may be wiped: on which basis, counting which copies of which rolls."""

    written_at: datetime
    basis: Literal["reread", "listing"]
    listing_digest: str
    serial: str | None
    rolls: tuple[int, ...]
    copies: tuple[int, ...]
    person: Person = NOBODY
    reason: str = ""


@dataclass(frozen=True, slots=True)
class KnownDrive:
    """A volume that was seen before."""

    id: int
    identity: DriveIdentity
    drive: str
    role: str
    first_seen_at: datetime
    last_seen_at: datetime


@dataclass(frozen=True, slots=True)
class KnownCopy:
    """A copy as this ledger remembers it.

    `seen_here` is whether it was this very station that last had it before its eyes, at `seen_at`, and the ledger can
    vouch for that; only then may it count while it is absent. `states` is what it is worth for each offload, by
    offload id. `gone_at` is set when its drive was seen without it later.
    """

    id: int
    roll_id: int
    drive: KnownDrive
    folder: bytes
    role: str
    state: CopyState
    readback: Evidence | None
    why: str
    state_at: datetime
    seen_at: datetime | None
    seen_here: bool
    gone_at: datetime | None
    states: dict[int, CopyState] = field(default_factory=dict)
    unsettled: tuple[Unsettled, ...] = ()
    """Readings of it that were not finished, or that found something wrong, and that nothing has settled since."""
    name: str = ""
    """What this copy's own run called the drive; two folders on one drive may have two names."""
    founder: str | None = None
    proven_at: datetime | None = None
    """When this station last proved it there."""


@dataclass(frozen=True, slots=True)
class KnownOffload:
    """One run over a card."""

    id: int
    roll_id: int
    production: str | None
    roll: str
    card: CardNote
    algorithm: str
    written_at: datetime
    station: str
    ours: bool
    """Whether this very station made it, and the ledger can vouch for that."""
    copies_required: int
    files: int
    size_bytes: int
    files_digest: str


@dataclass(frozen=True, slots=True)
class KnownFile:
    """One file of an offload. `hash_text` is of `algorithm`."""

    offload_id: int
    path: bytes
    size: int
    modified_ns: int
    algorithm: str
    hash_text: str | None


@dataclass(frozen=True, slots=True)
class KnownRoll:
    """One line of the list of rolls. `proven_on` has the device of each copy that was proven when this station saw it;
    how many devices that is, `proof.devices` says."""

    id: int
    production: str | None
    name: str
    day: str | None
    unit: str | None
    camera: str | None
    files: int
    size_bytes: int
    clips: int
    first_clip: str
    last_clip: str
    first_at: datetime
    last_at: datetime
    copies: int
    copies_proven: int
    proven_on: tuple[Device, ...]
    copies_required: int
    permit: PermitState | None


@dataclass(frozen=True, slots=True)
class HistoryLine:
    """One thing that happened to a roll. `what` is a kind of record, or `finding`, or `permit`."""

    at: datetime
    what: str
    drive: str
    who: Person
    detail: str
    verdict: str = ""
    record: str = ""


@dataclass(frozen=True, slots=True)
class BegunNote:
    """A copy that is about to be begun: see `tables.begun`. `volume` is `DriveIdentity.volume_text`."""

    volume: str
    folder: bytes
    drive: str
    path: bytes
    roll: str
    production: str
    day: str | None
    unit: str | None
    source_kind: str
    source: bytes
    serial: str | None
    listing_digest: str
    command: str
    run: str
    began_at: datetime


@dataclass(frozen=True, slots=True)
class KnownBegun:
    """A copy that was begun and not finished yet. `enough_at` is when the newest offload of the same listing was
    written whose roll has the copies that it needs."""

    id: int
    note: BegunNote
    ended_at: datetime | None
    enough_at: datetime | None
