"""The copies' side of `may-wipe`: which copies are there, what each is worth now, and for which files.

A copy counts only by what is read from the drive now, or, while it is absent, by this station's own fresh memory.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from rollproof.copying.buffers import BufferPool
from rollproof.copying.hashpass import HashPass
from rollproof.copying.settings import Settings
from rollproof.copying.treereader import TreeLost, TreeReader
from rollproof.copying.trouble import said
from rollproof.drives.identity import share_a_device
from rollproof.drives.interface import Drives
from rollproof.hashing import ALGORITHMS, proof_algorithm
from rollproof.ledger.entries import DriveIdentity, KnownCopy
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Severity
from rollproof.models.names import MARKER_NAME, RECORDS_FOLDER, shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Device, Evidence, Volume
from rollproof.records.chain import Chain, compare_with_memory, read_chain
from rollproof.records.models import OffloadHeader
from rollproof.records.rows import FileRow
from rollproof.records.standing import standing
from rollproof.storage.files import exists, open_below
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.offload_drive import try_lock

_PROBE_NAME = b"may-wipe-probe"


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
    rows: dict[bytes, FileRow] = field(default_factory=dict)
    not_counted: str = ""
    remedy: str = ""
    why: str = ""
    readback: Evidence | None = None
    seen_at: datetime | None = None
    copies_required: int = 2
    writable: bool = False
    handle: int = -1
    chain: Chain | None = None
    newest: OffloadHeader | None = None
    known_id: int = 0
    roll_id: int = 0

    @property
    def counts(self) -> bool:
        """Whether it counts for the files in `rows`."""
        return not self.not_counted


@dataclass(frozen=True, slots=True)
class Rules:
    """Today's policy for counting."""

    copies_required: int
    accepted: tuple[Evidence, ...]
    absent_copy_hours: float
    reread_copies: bool


class CopyLook:
    """Looks at copies, one after the other."""

    def __init__(
        self,
        io: Io,
        drives: Drives,
        ledger: Ledger | None,
        rules: Rules,
        settings: Settings,
        cancel: Cancel,
        now: datetime,
        report: Callable[[Finding], None],
    ) -> None:
        self._io = io
        self._drives = drives
        self._ledger = ledger
        self._rules = rules
        self._settings = settings
        self._cancel = cancel
        self._now = now
        self._report = report

    def all_of(self, rolls: Iterable[int], card: Volume) -> list[CopyInView]:
        """Every copy of these rolls that the ledger knows: attached ones are looked at, absent ones remembered."""
        assert self._ledger is not None
        attached = self._attached()
        found: list[CopyInView] = []
        for roll_id in dict.fromkeys(rolls):
            for known in self._ledger.copies_of(roll_id):
                volume = attached.get(known.drive.identity.text)
                view = self._attached_copy(known, volume) if volume is not None else self._absent_copy(known)
                view.roll_id = roll_id
                found.append(view)
        for view in found:
            if view.counts:
                self._not_the_card(view, card)
        return found

    def _attached(self) -> dict[str, Volume]:
        return {DriveIdentity.of(volume).text: volume for volume in self._drives.volumes(everything=True)}

    # --- attached

    def _attached_copy(self, known: KnownCopy, volume: Volume) -> CopyInView:
        path = os.path.join(volume.mount_point, known.folder)
        view = CopyInView(
            path,
            known.drive.drive or shown(volume.mount_point),
            known.role,
            "",
            None,
            volume.device,
            volume,
            True,
            known_id=known.id,
        )
        try:
            self._open_and_judge(view, volume, known)
        except OSError as error:
            self._gone(view, known, said(error))
        except UntrustedInput as problem:
            self._no(view, f"its records cannot be read: {problem.message}", "verify that copy")
        return view

    def _open_and_judge(self, view: CopyInView, volume: Volume, known: KnownCopy) -> None:
        io = self._io
        top = io.open_root(volume.mount_point)
        try:
            view.handle = open_below(io, top, known.folder)
        finally:
            io.close(top)
        if not try_lock(io, view.handle):
            self._no(view, "another offload or verify is at work on it", "wait until it has ended, then ask again")
            return
        if exists(io, view.handle, MARKER_NAME) is not None:
            self._no(view, "its offload was not finished", "run the same offload again")
            return
        chain = read_chain(io, view.handle, drive=view.drive)
        view.chain = chain
        found = standing(io, view.handle, chain, volume, accepted=self._rules.accepted)
        view.newest = found.newest_offload
        view.readback = found.readback
        view.why = " ".join(found.why)
        if view.newest is not None:
            view.roll = view.newest.roll or ""
            view.production = view.newest.production
            view.copies_required = view.newest.policy.copies_required
        if self._ledger is not None:
            lost = compare_with_memory(chain, self._ledger.digests_of(known.id))
            if any(finding.severity is Severity.ERROR for finding in lost):
                self._no(view, lost[0].detail, "verify that copy; its records are not those this station remembers")
                return
        if found.state != "proven":
            self._no(view, view.why or "it is not proven", found.remedy or "verify that copy")
            return
        view.rows = {path: row for path, row in found.files().items() if row.proven}
        if self._shape_holds(view, volume) and self._answers(view, volume) and self._rules.reread_copies:
            self._read_again(view, volume)

    def _shape_holds(self, view: CopyInView, volume: Volume) -> bool:
        """Every file at its recorded size and modification time."""
        folders = FolderHandles(self._io, view.handle)
        slack = max(volume.limits.timestamp_ns, 1)
        try:
            for path, row in view.rows.items():
                folder, _, name = path.rpartition(b"/")
                try:
                    there = self._io.stat(name, folders.handle(folder))
                except OSError as error:
                    self._no(view, f"{shown(path)} is not there ({said(error)})", "verify that copy")
                    return False
                same = there.size == row.size and abs(there.modified_ns - row.modified_ns) < slack
                if there.kind is not EntryKind.FILE or not same:
                    self._no(view, f"{shown(path)} is not as recorded in size or date", "verify that copy")
                    return False
        finally:
            folders.close()
        return True

    def _answers(self, view: CopyInView, volume: Volume) -> bool:
        """A small file written and flushed there just now; on a read-only volume its records from the medium."""
        if volume.read_only:
            return self._records_from_medium(view, volume)
        io = self._io
        try:
            with contextlib.suppress(FileExistsError):
                io.make_folder(RECORDS_FOLDER, view.handle)
            records = io.open_folder(RECORDS_FOLDER, view.handle)
            try:
                name = _PROBE_NAME + b".rollproof-partial"
                with contextlib.suppress(FileNotFoundError):
                    io.remove(name, records)
                handle = io.create(name, records, direct=False)
                try:
                    io.write_from(handle, memoryview(b"answers"), 0)
                    io.flush(handle)
                finally:
                    io.close(handle)
                io.remove(name, records)
            finally:
                io.close(records)
        except OSError as error:
            self._no(view, f"the drive does not take a small file now ({said(error)})", "check the drive and its room")
            return False
        view.writable = True
        return True

    def _records_from_medium(self, view: CopyInView, volume: Volume) -> bool:
        assert view.chain is not None
        io = self._io
        entries: list[FileEntry] = []
        digests: dict[bytes, str] = {}
        records = io.open_folder(RECORDS_FOLDER, view.handle)
        try:
            for link in view.chain.links:
                name = link.name.encode("ascii")
                found = io.stat(name, records)
                entries.append(FileEntry(name, found.size, found.modified_ns))
                digests[name] = link.sha256
            good = self._hash_all(records, entries, volume, "sha256", digests, view.drive)
        finally:
            io.close(records)
        if not good:
            self._no(
                view,
                "it is read-only, and its records cannot be shown to come from the drive itself",
                "unplug it, plug it in again, and ask again",
            )
        return good

    def _read_again(self, view: CopyInView, volume: Volume) -> None:
        entries = [FileEntry(path, row.size, row.modified_ns) for path, row in sorted(view.rows.items())]
        by_algorithm: dict[str, list[FileEntry]] = {}
        for entry in entries:
            known = [name for name in view.rows[entry.path].hashes if name in ALGORITHMS]
            if not known:
                self._no(view, f"{shown(entry.path)} has no hash this tool knows", "verify that copy")
                return
            by_algorithm.setdefault(proof_algorithm(known), []).append(entry)
        for algorithm, group in by_algorithm.items():
            expected = {entry.path: view.rows[entry.path].hashes[algorithm] for entry in group}
            if not self._hash_all(view.handle, group, volume, algorithm, expected, view.drive):
                self._no(view, "read again, it is not what was recorded", "keep the card and verify that copy")
                return

    def _hash_all(
        self,
        root: int,
        entries: Sequence[FileEntry],
        volume: Volume,
        algorithm: str,
        expected: dict[bytes, str],
        drive: str,
    ) -> bool:
        bad: list[bytes] = []
        good: list[int] = []

        def hashed(number: int, texts: dict[str, str], evidence: Evidence) -> None:
            right = texts[algorithm] == expected[entries[number].path] and evidence in self._rules.accepted
            (good if right else bad).append(number)  # type: ignore[arg-type]

        reader = TreeReader(
            self._io, root, entries, MediumAccess(self._io, volume.way, volume.source), self._settings, drive=drive
        )
        try:
            HashPass(
                BufferPool(self._settings.block_bytes),
                reader,
                (algorithm,),
                self._settings,
                stop_asked=self._cancel.is_set,
                name="may-wipe",
            ).run(range(len(entries)), hashed, lambda number, finding: bad.append(b""))
        except TreeLost:
            return False
        return not bad and len(good) == len(entries)

    def _gone(self, view: CopyInView, known: KnownCopy, why: str) -> None:
        """The drive is here and the roll is not: its proof is withdrawn until a verify."""
        if self._ledger is not None:
            self._ledger.remember_gone(known.id, self._now)
        self._no(view, f"the drive is attached and the roll folder is not on it ({why})", "find out who moved it")

    # --- absent

    def _absent_copy(self, known: KnownCopy) -> CopyInView:
        identity = known.drive.identity
        view = CopyInView(
            known.folder,
            known.drive.drive or identity.volume_label or "a drive",
            known.role,
            "",
            None,
            Device(
                identity.device_key,
                identity.kind,
                model=identity.model,
                serial=identity.serial,
                size_bytes=identity.size_bytes,
                label=identity.model or identity.volume_label,
            ),
            None,
            False,
            readback=known.readback,
            seen_at=known.seen_at,
            known_id=known.id,
            why=known.why,
        )
        assert self._ledger is not None
        remedy = f"attach the drive {view.drive} and ask again"
        age = self._now - known.seen_at if known.seen_at is not None else None
        if known.gone_at is not None:
            self._no(view, "its drive was last seen without this roll", remedy)
        elif not known.seen_here or age is None:
            self._no(view, "it is absent, and this station has not seen it itself", remedy)
        elif known.state != "proven" or known.readback not in self._rules.accepted:
            self._no(view, f"it is absent and was last {known.state}", remedy)
        elif age < timedelta(0):
            self._no(view, "it is absent, and the clock says it was seen in the future", "set the clock; " + remedy)
        elif age > timedelta(hours=self._rules.absent_copy_hours):
            self._no(view, f"it is absent and was last seen more than {self._rules.absent_copy_hours:g} h ago", remedy)
        else:
            self._rows_from_memory(view, known)
        return view

    def _rows_from_memory(self, view: CopyInView, known: KnownCopy) -> None:
        assert self._ledger is not None
        offloads = {offload.id: offload for offload in self._ledger.offloads_of(known.roll_id)}
        for offload_id, state in sorted(known.states.items()):
            offload = offloads.get(offload_id)
            if offload is None:
                continue
            view.roll, view.production = offload.roll, offload.production
            view.copies_required = max(view.copies_required, offload.copies_required)
            if state != "proven":
                continue
            for file in self._ledger.files_of(offload_id):
                if file.hash_text is not None:
                    view.rows[file.path] = FileRow(
                        file.path, file.size, file.modified_ns, {file.algorithm: file.hash_text}, True
                    )
        if not view.rows:
            self._no(view, "it is absent, and this station does not remember its files", f"attach {view.drive}")

    # --- counting

    def _not_the_card(self, view: CopyInView, card: Volume) -> None:
        shared = share_a_device(view.device, card.device)
        if shared is None and card.device.key is None:
            self._no(
                view, "the card's device cannot be told, so it cannot be shown to be another", "use another reader"
            )
        elif shared:
            self._no(view, "it lies on the card's own device", "offload to a drive of its own")

    def _no(self, view: CopyInView, why: str, remedy: str) -> None:
        view.not_counted, view.remedy = why, remedy


def close_copies(io: Io, copies: Iterable[CopyInView]) -> None:
    """Let go of all roll folders and their locks."""
    for view in copies:
        if view.handle >= 0:
            with contextlib.suppress(OSError):
                io.close(view.handle)
            view.handle = -1


def devices_holding(copies: Iterable[CopyInView], holds: Callable[[CopyInView], bool]) -> list[CopyInView]:
    """One counted copy for each physical device that has the file; unidentified devices are one together. A copy
    that is attached and from the medium stands for its device before others."""
    counted: list[CopyInView] = []
    for view in sorted(copies, key=lambda view: (not view.attached, view.readback is not Evidence.MEDIUM)):
        if not view.counts or not holds(view):
            continue
        if view.device.key is None and any(other.device.key is None for other in counted):
            continue
        if any(share_a_device(view.device, other.device) for other in counted):
            continue
        counted.append(view)
    return counted
