"""What an audit keeps of one copy after it was looked at: a few kilobytes, however many files the copy has."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.copies.card_findings import OnTheCard
from rollproof.models.audit_results import CopyState, Topic
from rollproof.models.findings import Finding
from rollproof.models.volumes import Device, Volume
from rollproof.proof.clones import VolumeOnDevice
from rollproof.proof.copy import State
from rollproof.proof.copy_facts import CopyFacts
from rollproof.proof.on_the_card import ClipContents
from rollproof.proof.permits import CardUse
from rollproof.records.chain import Chain, Link

COUNTED = ("proven", "reread")
"""States of copies that count."""
AUDIT_STATES: dict[State, CopyState] = {
    "proven": "proven",
    "reread": "reread",
    "copied": "copied",
    "unproven": "copied",
    "damaged": "damaged",
    "incomplete": "incomplete",
    "records broken": "records broken",
    "record only": "record only",
    "empty": "empty",
    "away": "copied",
}
"""What an audit calls them: it has no word of its own for a copy that is there and not proven."""


@dataclass(slots=True)
class Place:
    """One drive (or folder) of the audit. `number` counts from 0, `device` physical devices from 1 (0: unknown)."""

    number: int
    path: bytes
    name: str
    volume: Volume
    device: int = 0
    elsewhere: tuple[bytes, ...] = ()
    """Folders in it where another file system is mounted, relative to it."""
    is_empty: bool = False
    """Whether it is an empty folder of another drive, as one that is away leaves behind."""
    lost: bool = False
    """Whether it failed or stopped answering: what was not seen on it is then not missing."""


@dataclass(frozen=True, slots=True)
class NamedCopy:
    """A copy as somebody else's record names it. `folder` is from the top of its file system, as text.

    `sequence` and `sha256` are of its newest record then, where the record says so.
    """

    device: Device
    serial: str | None
    drive: str
    folder: str
    state: str
    readback: str | None = None
    sequence: int = 0
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class PermitSeen:
    """A permit in a copy's chain, and what was asked for when it was given."""

    record: str
    written_at: datetime
    required: int
    accepted_evidence: frozenset[str]
    counted: tuple[NamedCopy, ...]
    withdrawn: bool
    use: CardUse
    """For which card, and what was on it."""


@dataclass(frozen=True, slots=True)
class Told:
    """A finding of an audit, with its question and the roll it is about."""

    topic: Topic
    finding: Finding
    roll: str = ""
    is_cause: bool = False
    """Whether others are the consequence of it: it is told first."""


@dataclass(slots=True)
class CopyLook:
    """One copy. `path` is from where we stand, `folder` relative to its drive's path.

    `digests` hold, by algorithm, one digest over path, size and hash of every file the copy should hold; `keys` are
    the first bytes of its essence files' hashes. `links` are its records, without their headers.
    """

    place: Place
    folder: bytes
    path: bytes
    roll: str
    state: CopyState = "copied"
    why: str = ""
    production: str | None = None
    day: str | None = None
    unit: str | None = None
    role: str = ""
    serial: str | None = None
    """The card's volume serial, as the newest offload says."""
    listing: str = ""
    """The listing digest of the newest offload."""
    first_at: str = ""
    """When the oldest word of its history was written, in UTC; texts of this form compare as moments do."""
    written_at: datetime | None = None
    copies_required: int = 0
    """What the offloads asked for; 0 where no record says."""
    unfinished: bool = False
    files: int = 0
    size_bytes: int = 0
    moving: int = 0
    sound: int = 0
    on_volume: str = ""
    """Its folder from the top of its file system, as records write it."""
    has_records: bool = False
    was_a_card: bool = False
    """Whether a record tells of the offload of its card."""
    is_ours: bool = False
    """Whether its newest verify was written by this very station."""
    read_at: datetime | None = None
    """When it was last read again in full from this device, with everything as recorded."""
    read_number: int = 0
    """The number of the record that says so; 0 where there is none."""
    reread_now: bool = False
    founder: str | None = None
    """Its identity: the digest of the record that founded it."""
    offloads_lost: bool = False
    """Whether this station remembers where it came from, and no record on the drive tells it any more."""
    digests: dict[str, str] = field(default_factory=dict)
    keys: array[int] = field(default_factory=lambda: array("Q"))
    shared_now: set[str] = field(default_factory=set)
    """Algorithms by which this audit has compared every file of it with another copy."""
    apart: bool = False
    """Whether it does not count, because it has no hash in common with the copies that do."""
    facts: CopyFacts | None = None
    """What its state comes from; None where no records or manifests of its own speak of it."""
    links: tuple[Link, ...] = ()
    manifests: tuple[tuple[bytes, str], ...] = ()
    """Name and C4 of each generation."""
    inner: tuple[bytes, ...] = ()
    is_around: bool = False
    """Whether it is no roll but a history around rolls: then only the files of its own are meant."""
    part_of: CopyLook | None = None
    """The history around it that alone speaks of it; it has none itself."""
    parts: list[CopyLook] = field(default_factory=list)
    """The rolls that it alone speaks of."""
    lists: tuple[tuple[bytes, bytes], ...] = ()
    """Where only checksum files speak of it: each, and the folder its names begin at, from the place's path."""
    was_compared: bool = False
    """Whether this audit has read it and compared it with those."""
    others: tuple[NamedCopy, ...] = ()
    called: str = ""
    """What the newest offload called its drive."""
    offloaded_to: tuple[VolumeOnDevice, ...] = ()
    """Where its offloads wrote it."""
    newest_on: VolumeOnDevice | None = None
    """Where its newest record saw it."""
    permits: tuple[PermitSeen, ...] = ()
    uses: tuple[CardUse, ...] = ()
    """Its card as it was at each offload."""
    card: OnTheCard = field(default_factory=OnTheCard)
    """What was odd on its card when it was offloaded, and what was accepted of it."""
    clips: ClipContents = field(default_factory=ClipContents)
    unsigned: list[str] = field(default_factory=list)
    foreign_keys: dict[str, int] = field(default_factory=dict)
    """Fingerprints nobody has named, and how many records each signed."""
    told: list[Told] = field(default_factory=list)

    def withdraw(self, state: CopyState, why: str) -> None:
        """What others remember of it takes its proof away, until it is read again in full."""
        if (self.state in COUNTED and not self.reread_now) or (self.offloads_lost and self.state == "copied"):
            self.state, self.why = state, why

    @property
    def chain(self) -> Chain:
        """The records as a chain for `compare_with_memory`."""
        return Chain(self.links, ())

    @property
    def newest(self) -> str | None:
        """The newest record's name."""
        return self.links[-1].name if self.links else None

    @property
    def has_content(self) -> bool:
        """Whether its papers say what it should hold."""
        return self.state not in ("no record", "empty")
