"""The copies' side of `may-wipe`: what one copy is, which count, and which stand for one device together."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Device, Evidence, Volume
from rollproof.proof.devices import are_one, chosen_devices
from rollproof.proof.identity import Drive
from rollproof.proof.policy import COPIES_REQUIRED
from rollproof.records.chain import Chain
from rollproof.records.models import OffloadHeader
from rollproof.records.row_table import RowTable
from rollproof.records.rows import FileRow
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess

UNFINISHED = "its offload was not finished"
UNPLUG = "unplug the drive and plug it in again (this may need a restart), then verify that copy and ask again"


@dataclass(slots=True)
class CopyInView:
    """One copy and what it is worth. `rows` are its proven files by path; `not_counted` says why it does not count.

    `handle` is the roll folder of an attached copy, with its lock; the caller closes it through `close_copies`.
    """

    path: bytes
    drive: str
    role: str
    roll: str
    production: str | None
    device: Device
    volume: Volume | None
    attached: bool
    rows: Mapping[bytes, FileRow] = field(default_factory=RowTable)
    not_counted: str = ""
    remedy: str = ""
    why: str = ""
    readback: Evidence | None = None
    seen_at: datetime | None = None
    copies_required: int = COPIES_REQUIRED
    writable: bool = False
    handle: int = -1
    chain: Chain | None = None
    newest: OffloadHeader | None = None
    known_id: int = 0
    known_on: Drive | None = None
    """The drive, as this station knows it; None where it never counts."""
    founder: str | None = None
    """The copy's identity."""
    proven_at: datetime | None = None
    roll_id: int = 0
    hangs: bool = False
    """Whether a call on its drive has not come back: no handle on it may be closed."""
    drive_failed: bool = False
    """Whether its drive failed when it was looked at just now: what it holds is to be verified before it counts."""
    state: str = ""
    """What the records on the drive make of it, while it is attached."""

    @property
    def counts(self) -> bool:
        """Whether it counts for the files in `rows`."""
        return not self.not_counted

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 of its records as they were read, by name."""
        return self.chain.digests if self.chain is not None else {}

    def medium(self, io: Io) -> MediumAccess | None:
        """How what is written beside it is read back."""
        return MediumAccess(io, self.volume.way, self.volume.source) if self.volume is not None else None

    def no(self, why: str, remedy: str) -> None:
        """It does not count, and why; the first reason stands."""
        if not self.not_counted:
            self.not_counted, self.remedy = why, remedy

    def left_behind(self, seconds: float) -> None:
        """Its drive does not answer: nothing more is asked of it, and its handle stays open for the call under way."""
        self.rows, self.handle, self.chain, self.state = RowTable(), -1, None, ""
        self.not_counted, self.remedy = f"its drive has not answered for {seconds:.0f} seconds", UNPLUG
        self.hangs = self.drive_failed = True


def refuse_the_card(view: CopyInView, card: Volume) -> None:
    """A copy on the card's own device is none."""
    shared = are_one(view.device, card.device)
    if shared is None and card.device.key is None:
        view.no("the card's device cannot be told, so it cannot be shown to be another", "use another reader")
    elif shared:
        view.no("it lies on the card's own device", "offload to a drive of its own")


def silent_drives(copies: Sequence[CopyInView]) -> Iterator[Finding]:
    """One warning for each drive that does not answer: whether that is a reason to KEEP tells the count."""
    for drive in dict.fromkeys(view.drive for view in copies if view.hangs):
        hit = [view for view in copies if view.hangs and view.drive == drive]
        detail = f"{hit[0].not_counted}: it was given up, and no copy on it counts"
        yield warning(Kind.DRIVE_HANGS, detail, drive=drive, remedy=UNPLUG, count=len(hit))


def close_copies(io: Io, copies: Iterable[CopyInView]) -> None:
    """Let go of all roll folders and their locks."""
    for view in copies:
        if view.handle >= 0:
            with contextlib.suppress(OSError):
                io.close(view.handle)
            view.handle = -1


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
