"""What there is to know of one recorded copy, as it was found: the facts that `proof.copy` judges.

What was not looked at is None. It never speaks for a copy: `proof.copy` says which look is still owed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from enum import StrEnum
from typing import Literal

from rollproof.models.volumes import Evidence
from rollproof.proof.policy import COPIES_REQUIRED
from rollproof.proof.readings import Agreement, Unsettled


class Look(StrEnum):
    """Ways of looking at an attached copy, each dearer than the one before."""

    LISTING = "listing"
    """Every recorded file by name, size and date."""
    DRIVE = "drive"
    """Whether the drive still takes a small file, or its medium still gives the records."""
    CONTENT = "content"
    """Every recorded file read again and hashed."""


@dataclass(frozen=True, slots=True)
class Against:
    """One thing that speaks against a copy, as part of a sentence, and what to do about it."""

    why: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Paths:
    """Files with one fault: how many, the first by name, and what the system said of it (empty: nothing)."""

    count: int = 0
    first: str = ""
    said: str = ""


NO_PATHS = Paths()


@dataclass(frozen=True, slots=True)
class RecordFacts:
    """What the records beside a copy say of it, for the place where it lies now (`records.standing`).

    `why` and `remedy` are those of the standing; `foreign` is an offload record that is another one than this station
    remembers, which no verify puts right.
    """

    state: Literal["proven", "copied", "unproven"]
    why: str
    remedy: str = ""
    readback: Evidence | None = None
    copies_required: int = COPIES_REQUIRED
    offloaded: bool = True
    """Whether a record tells of an offload."""
    finished: bool = True
    """Whether the newest offload finished this copy."""
    withdrawn: bool = False
    whole: bool = True
    """Whether nothing is wrong with the chain."""
    needs_newer: bool = False
    """Whether nothing is wrong with it but that a later version of this tool wrote in it."""
    broken_beside: bool = False
    """Whether manifests, signatures or the records' files cannot be relied on."""
    failed_in_manifest: int = 0
    """Files that the newest manifest calls failed."""
    read_again: bool = False
    """Whether it was read again here in full, as its history says, and never offloaded."""
    foreign: Against | None = None
    newest_word: str = ""
    """SHA-256 of the newest record that says something of the copy."""


@dataclass(frozen=True, slots=True)
class ListingFacts:
    """What lies there beside what is recorded. Whoever needs no more may stop at the first fault."""

    recorded: int
    here: int
    strangers: int | None = None
    """Files that nobody recorded; None where nobody looked for them."""
    missing: Paths = NO_PATHS
    differ: Paths = NO_PATHS
    """Files of another size, or that are no files any more."""
    redated: Paths = NO_PATHS


class Answer(StrEnum):
    """How a drive answered when it was asked to show that it is still there."""

    TAKES = "takes a small file"
    GIVES = "gives its records from the medium"
    FULL = "full"
    TURNED_READ_ONLY = "turned read-only"
    REFUSES = "refuses"
    RECORDS_DIFFER = "records differ"
    RECORDS_NOT_SHOWN = "records not shown"


@dataclass(frozen=True, slots=True)
class DriveFacts:
    """The drive's answer, and what the system said where it refused."""

    answer: Answer
    said: str = ""


@dataclass(frozen=True, slots=True)
class ContentFacts:
    """What reading all files again showed. `unhashed` is a file that has no hash this tool knows, `unremembered` what
    kept this station from remembering the reading."""

    agreement: Agreement | None
    unhashed: str = ""
    unremembered: Against | None = None


@dataclass(frozen=True, slots=True)
class MemoryFacts:
    """What this station remembers of the copy. `bad` is whether its last word on it was a bad one, `gone` whether its
    drive was seen without it since; `age` is how long ago it saw the copy itself (None: never)."""

    state: str
    bad: bool = False
    why: str = ""
    readback: Evidence | None = None
    age: timedelta | None = None
    seen_here: bool = True
    gone: bool = False
    unsettled: tuple[Unsettled, ...] = ()
    lost: str = ""
    """What the records there lack that this station remembers of them."""
    newer_word: bool = False
    """Whether the records there hold a word that this station does not know yet."""
    files_known: bool = True
    device_here: bool = False
    """Of an absent copy: whether its device is attached, without the volume it lies on."""


@dataclass(frozen=True, slots=True)
class CopyFacts:
    """One copy, attached or absent. `drive` is what people call the drive it lies on."""

    attached: bool
    drive: str
    memory: MemoryFacts | None = None
    silent_seconds: float | None = None
    """For how long its drive has not answered; None while it answers."""
    not_opened: str | None = None
    """Its drive is attached, and why its folder cannot be opened there."""
    unreadable: str = ""
    """What the system said when its records or files were looked at."""
    bad_records: str = ""
    """Why its records cannot be read."""
    locked: bool = False
    """Whether another run is at work on it."""
    unfinished: bool = False
    """Whether the mark of an unfinished offload stands in it."""
    records: RecordFacts | None = None
    listing: ListingFacts | None = None
    answer: DriveFacts | None = None
    content: ContentFacts | None = None
    on_card: bool | None = False
    """Whether it lies on the device of the card that is judged; None where that cannot be told."""
    doubts: tuple[Against, ...] = field(default=())
    """What other copies, the clock or a second look say against it, in the order in which it was found."""

    def doubted(self, why: str, remedy: str) -> CopyFacts:
        """The same with something more that speaks against it."""
        return replace(self, doubts=(*self.doubts, Against(why, remedy)))

    @property
    def drive_failed(self) -> bool:
        """Whether its drive failed just now: what it holds is verified before it counts."""
        refused = self.answer is not None and self.answer.answer in (Answer.REFUSES, Answer.TURNED_READ_ONLY)
        return refused or bool(self.unreadable) or self.silent_seconds is not None
