"""The copies' side of `may-wipe`: what one copy is, which count, and which stand for one device together."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from rollproof.copies.examine import OpenCopy
from rollproof.ledger.entries import KnownCopy
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Device, Evidence, Volume
from rollproof.proof.copy import UNPLUG, CopyVerdict, judge_copy, looks_to_wipe
from rollproof.proof.copy_facts import Answer, CopyFacts
from rollproof.proof.devices import are_one, chosen_devices
from rollproof.proof.policy import COPIES_REQUIRED, Rules
from rollproof.records.chain import Chain
from rollproof.records.founding import founder_of
from rollproof.records.models import OffloadHeader
from rollproof.records.row_table import RowTable
from rollproof.records.rows import FileRow
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess


@dataclass(slots=True)
class CopyInView:
    """One copy: what is known of it, and what that comes to. `rows` are its files by path, as they count.

    `opened` is the roll folder of an attached copy, with its lock; the caller closes it through `close_copies`.
    """

    known: KnownCopy
    rules: Rules
    facts: CopyFacts
    path: bytes
    device: Device
    volume: Volume | None = None
    opened: OpenCopy | None = None
    rows: Mapping[bytes, FileRow] = field(default_factory=RowTable)
    roll: str = ""
    production: str | None = None
    copies_required: int = COPIES_REQUIRED
    seen_at: datetime | None = None
    hangs: bool = False
    """Whether a call on its drive has not come back: no handle on it may be closed."""

    @property
    def verdict(self) -> CopyVerdict:
        """What it is worth, by all that is known of it now."""
        return judge_copy(self.facts, self.rules, looks_to_wipe(self.rules))

    @property
    def counts(self) -> bool:
        """Whether it counts for the files in `rows`."""
        return self.verdict.counts

    @property
    def drive(self) -> str:
        """What people call its drive."""
        return self.facts.drive

    @property
    def attached(self) -> bool:
        """Whether its drive is attached."""
        return self.facts.attached

    @property
    def roll_id(self) -> int:
        """The roll that it is of, in the ledger."""
        return self.known.roll_id

    @property
    def readback(self) -> Evidence | None:
        """The weakest evidence that its proof rests on."""
        if not self.facts.attached:
            return self.known.readback
        return self.facts.records.readback if self.facts.records is not None else None

    @property
    def writable(self) -> bool:
        """Whether its drive took a small file just now."""
        return self.facts.answer is not None and self.facts.answer.answer is Answer.TAKES

    @property
    def handle(self) -> int:
        """The open roll folder; -1 where there is none, or none that may be used."""
        return self.opened.handle if self.opened is not None and not self.hangs else -1

    @property
    def chain(self) -> Chain | None:
        """Its records, as they were read."""
        return self.opened.chain if self.opened is not None else None

    @property
    def newest(self) -> OffloadHeader | None:
        """Its newest offload record."""
        found = self.opened.standing if self.opened is not None else None
        return found.newest_offload if found is not None else None

    @property
    def founder(self) -> str | None:
        """The copy's identity."""
        return founder_of(self.chain) if self.chain is not None else self.known.founder

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 of its records as they were read, by name."""
        return self.chain.digests if self.chain is not None else {}

    def medium(self, io: Io) -> MediumAccess | None:
        """How what is written beside it is read back."""
        return MediumAccess(io, self.volume.way, self.volume.source) if self.volume is not None else None

    def no(self, why: str, remedy: str) -> None:
        """Something more speaks against it; what was known before goes first."""
        self.facts = self.facts.doubted(why, remedy)

    def take_in(self, opened: OpenCopy, facts: CopyFacts) -> None:
        """Take in what an examination found."""
        self.opened, self.facts, self.rows = opened, facts, opened.rows
        self.path, self.volume, self.device = opened.path, opened.volume, opened.volume.device
        if self.newest is not None:
            self.roll, self.production = self.newest.roll or "", self.newest.production
            self.copies_required = self.newest.policy.copies_required

    def left_behind(self, seconds: float) -> None:
        """Its drive does not answer: nothing more is asked of it, and its handle stays open for the call under way."""
        self.rows, self.opened, self.hangs = RowTable(), None, True
        self.facts = replace(self.facts, silent_seconds=seconds)


def lies_on_card(device: Device, card: Volume) -> bool | None:
    """Whether a copy on this device lies on the card's own; None where the card's device cannot be told."""
    shared = are_one(device, card.device)
    return None if shared is None and card.device.key is None else bool(shared)


def silent_drives(copies: Sequence[CopyInView]) -> Iterator[Finding]:
    """One warning for each drive that does not answer: whether that is a reason to KEEP tells the count."""
    for drive in dict.fromkeys(view.drive for view in copies if view.hangs):
        hit = [view for view in copies if view.hangs and view.drive == drive]
        detail = f"{hit[0].verdict.why}: it was given up, and no copy on it counts"
        yield warning(Kind.DRIVE_HANGS, detail, drive=drive, remedy=UNPLUG, count=len(hit))


def close_copies(io: Io, copies: Iterable[CopyInView]) -> None:
    """Let go of all roll folders and their locks."""
    for view in copies:
        if view.handle >= 0:
            with contextlib.suppress(OSError):
                io.close(view.handle)
        view.opened = None


def best_first(copies: Iterable[CopyInView]) -> list[CopyInView]:
    """In the order in which they stand for their devices: attached and read back from the medium first."""
    return sorted(copies, key=lambda view: (not view.attached, view.readback is not Evidence.MEDIUM))


class Counting:
    """For each file the copies that count for it, one for each device. Files with the same holders are judged once."""

    def __init__(self, copies: Sequence[CopyInView], holds: Callable[[CopyInView, FileEntry], bool]) -> None:
        self._views = [view for view in best_first(copies) if view.counts]
        self._holds = holds
        self._known: dict[tuple[int, ...], list[CopyInView]] = {}

    def of(self, entry: FileEntry) -> list[CopyInView]:
        """The counted copies of one file of the card."""
        holders = tuple(place for place, view in enumerate(self._views) if self._holds(view, entry))
        if holders not in self._known:
            views = [self._views[place] for place in holders]
            self._known[holders] = [views[place] for place in chosen_devices([view.device for view in views])]
        return self._known[holders]
