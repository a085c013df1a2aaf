"""One attached copy, judged now: its lock, its records, its files' shape, and whether its drive still answers."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from rollproof.copies.ledger_update import other_offload_records, remember_chain
from rollproof.copies.location import place_on
from rollproof.copies.reading_journal import Reading, ReadingJournal
from rollproof.copies.roll_folder import RollFolder
from rollproof.copies.roll_lock import try_lock
from rollproof.copying.plan import same_time
from rollproof.hashing import ALGORITHMS, proof_algorithm
from rollproof.ledger.entries import BAD, CopyState, KnownCopy
from rollproof.ledger.identities import drive_of
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import UntrustedInput
from rollproof.models.events import Emit
from rollproof.models.file_table import FileTable
from rollproof.models.findings import Kind, Severity
from rollproof.models.names import MARKER_NAME, PARTIAL_SUFFIX, RECORDS_FOLDER, shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence, Limits, Volume
from rollproof.proof.policy import Rules
from rollproof.proof.readings import Agreement, withdrawn_by
from rollproof.reading.settings import Settings
from rollproof.records.chain import compare_with_memory, newer_word, newest_word, read_chain
from rollproof.records.founding import founder_of
from rollproof.records.standing import accepted_today, standing
from rollproof.station.ledger import StationLedger
from rollproof.storage.errors import said
from rollproof.storage.files import exists, open_below
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import EntryKind, Io
from rollproof.workflows.may_wipe.copies import UNFINISHED, CopyInView
from rollproof.workflows.may_wipe.reading import hashes_hold

_PROBE_NAME = b"may-wipe-probe" + PARTIAL_SUFFIX
_SEEN_LATELY = timedelta(minutes=10)
_VERIFY = "verify that copy"


@dataclass(slots=True)
class AttachedLook:
    """Judges attached copies, and tells the ledger what it found where that is news."""

    io: Io
    ledger: Ledger
    rules: Rules
    settings: Settings
    emit: Emit
    cancel: Cancel
    now: datetime
    given_up: bool = False
    """Nobody waits for this look any more: what it finds now is told to nobody."""

    def begin(self, known: KnownCopy, places: Sequence[tuple[Volume, bytes]]) -> CopyInView:
        """The copy before anything was asked of its drive. `places` are the mounts that show it, at least one."""
        volume, below = places[0]
        return CopyInView(
            os.path.join(volume.mount_point, below),
            known.name or known.drive.drive or shown(volume.mount_point),
            known.role,
            "",
            None,
            volume.device,
            volume,
            True,
            known_id=known.id,
            known_on=drive_of(known.drive),
            founder=known.founder,
            proven_at=known.proven_at,
            seen_at=self.now,
        )

    def look(self, view: CopyInView, known: KnownCopy, places: Sequence[tuple[Volume, bytes]]) -> CopyInView:
        """The copy as it is on its drive now. Fills in `view`, which was begun with the same, and returns it."""
        trouble: OSError | None = None
        for volume, below in places:
            try:
                view.handle = self._open(volume, below)
            except OSError as error:
                trouble = error
                continue
            view.volume, view.path, view.device = volume, os.path.join(volume.mount_point, below), volume.device
            break
        if view.handle < 0:
            self._gone(view, known, trouble)
            return view
        assert view.volume is not None
        try:
            verdict = self._judge(view, view.volume, known)
        except OSError as error:
            view.no(f"it cannot be read ({said(error)})", "check the drive and its cable, then " + _VERIFY)
            view.drive_failed = True
            verdict = "unproven"
        except UntrustedInput as problem:
            view.no(f"its records cannot be read: {problem.message}", _VERIFY)
            verdict = "unproven"
        self._tell(view, known, verdict)
        return view

    def look_again(self, view: CopyInView) -> None:
        """Judge an attached copy anew after a record was added to it. Raises LedgerProblem."""
        known = next((copy for copy in self.ledger.copies_of(view.roll_id) if copy.id == view.known_id), None)
        if known is None or view.volume is None or view.handle < 0:
            return
        view.not_counted = view.remedy = ""
        try:
            self._tell(view, known, self._judge(view, view.volume, known))
        except (OSError, UntrustedInput) as problem:
            why = said(problem) if isinstance(problem, OSError) else problem.message
            view.no(f"it cannot be read ({why})", _VERIFY)

    def _open(self, volume: Volume, below: bytes) -> int:
        top = self.io.open_root(volume.mount_point)
        try:
            handle = open_below(self.io, top, below)
            if self.io.fstat(handle).device != self.io.fstat(top).device:
                self.io.close(handle)
                raise OSError(errno.EXDEV, "another file system is mounted inside the folder")
            return handle
        finally:
            self.io.close(top)

    def _gone(self, view: CopyInView, known: KnownCopy, trouble: OSError | None) -> None:
        """The drive is here and the roll is not: its proof is withdrawn until a verify."""
        if known.gone_at is None and not self.given_up:
            self.ledger.remember_gone(known.id, self.now)
        why = said(trouble) if trouble is not None else "nothing there"
        view.no(f"its drive is attached, and the roll is not where it was ({why})", "find out who moved it")

    def _judge(self, view: CopyInView, volume: Volume, known: KnownCopy) -> CopyState | None:
        """What the ledger is to know of the copy; None when there is nothing new to be told."""
        io = self.io
        if not try_lock(io, view.handle):
            view.no("another offload or verify is at work on it", "wait until it has ended, then ask again")
            return None
        if exists(io, view.handle, MARKER_NAME) is not None:
            view.no(UNFINISHED, "run the same offload again")
            return "incomplete"
        chain = read_chain(io, view.handle, drive=view.drive)
        view.chain = chain
        view.founder = founder_of(chain)
        if view.founder is not None and view.founder != known.founder and not self.given_up:
            self.ledger.remember_founder(known.id, view.founder)
        remembered = self.ledger.digests_of(known.id)
        lost = [found for found in compare_with_memory(chain, remembered) if found.severity is Severity.ERROR]
        if any(found.kind is Kind.CHAIN_BROKEN for found in lost):
            for other in other_offload_records(
                self.ledger, chain, RollFolder(io, view.handle, view.path, volume, view.drive)
            ):
                view.no(f"{other.path}: {other.detail}", other.remedy)  # said first: no verify mends that
        self._from_records(view)
        if lost:
            view.no(f"its records are not those this station remembers: {_in_a_sentence(lost[0].detail)}", _VERIFY)
            return "unproven"
        word = newest_word(chain)
        found_bad = withdrawn_by(known.unsettled, word.sha256 if word is not None else "")
        if found_bad or ((known.gone_at is not None or known.state in BAD) and not newer_word(chain, remembered)):
            why = (
                "its drive was seen without it" if known.gone_at is not None else found_bad or known.why or known.state
            )
            view.no(f"this station last found: {why}", _VERIFY)
            return None
        if view.state != "proven":
            return "copied" if view.state == "copied" else "unproven"
        if not self._shape_holds(view, volume.limits):
            return "unproven"
        if not self._answers(view, volume):
            return None if view.not_counted.startswith("the drive is full") else "unproven"
        if self.rules.reread_copies:
            return self._read_again(view, volume)
        return "proven"

    def _from_records(self, view: CopyInView) -> None:
        assert view.volume is not None and view.chain is not None
        here = place_on(view.volume, view.path)
        found = standing(
            self.io, view.handle, view.chain, view.volume, accepted=accepted_today(view.chain, self.rules), folder=here
        )
        view.newest, view.readback, view.state = found.newest_offload, found.readback, found.state
        view.why = " ".join(found.why)
        if view.newest is not None:
            view.roll, view.production = view.newest.roll or "", view.newest.production
            view.copies_required = view.newest.policy.copies_required
        view.rows = found.files()
        if found.state != "proven":
            view.no(_in_a_sentence(view.why) or "it is not proven", _in_a_sentence(found.remedy) or _VERIFY)

    def _tell(self, view: CopyInView, known: KnownCopy, verdict: CopyState | None) -> None:
        if verdict is None or self.given_up:
            return
        word = newest_word(view.chain) if view.chain is not None else None
        if verdict == "proven" and any(each.why for each in known.unsettled) and word is not None:
            self.ledger.settle_by_word(known.drive.identity, known.folder, word.sha256)
        fresh = known.seen_here and known.seen_at is not None and self.now - known.seen_at < _SEEN_LATELY
        if verdict == known.state and (fresh or verdict != "proven") and known.gone_at is None:
            return
        if verdict == "copied" and known.state in BAD:
            return
        self.ledger.remember_verify(
            known.id, state=verdict, readback=view.readback, at=self.now, why=view.not_counted or view.why
        )
        if view.chain is not None and verdict in ("proven", "copied"):
            remember_chain(self.ledger, known.id, view.chain)

    # --- the files

    def _shape_holds(self, view: CopyInView, limits: Limits) -> bool:
        """Every file at its recorded size and modification time."""
        folders = FolderHandles(self.io, view.handle)
        try:
            for path, row in view.rows.items():
                folder, _, name = path.rpartition(b"/")
                try:
                    there = self.io.stat(name, folders.handle(folder))
                except OSError as error:
                    view.no(f"{shown(path)} is not there ({said(error)})", _VERIFY)
                    return False
                same = there.size == row.size and same_time(there.modified_ns, row.modified_ns, limits)
                if there.kind is not EntryKind.FILE or not same:
                    view.no(f"{shown(path)} is not as recorded in size or date", _VERIFY)
                    return False
        finally:
            folders.close()
        return True

    def _read_again(self, view: CopyInView, volume: Volume) -> CopyState | None:
        by_algorithm: dict[str, FileTable] = {}
        for path, row in view.rows.items():
            known = [name for name in row.hashes if name in ALGORITHMS]
            if not known:
                view.no(f"{shown(path)} has no hash this tool knows", _VERIFY)
                return None
            by_algorithm.setdefault(proof_algorithm(known), FileTable()).add(path, row.size, row.modified_ns)
        journal = ReadingJournal(StationLedger(self.ledger), "may-wipe --reread-copies")
        reading = journal.begin(volume, place_on(volume, view.path), view.drive)
        assert view.chain is not None
        reading.saw(view.chain)
        found = [
            self._hold(view.handle, group, volume, algorithm, partial(_recorded, view, algorithm), view, reading)
            for algorithm, group in by_algorithm.items()
        ]
        shown_ones = all(each is Agreement.HOLDS for each in found)
        reading.finish(everything=shown_ones, evidence=Evidence.MEDIUM if shown_ones else Evidence.CACHE)
        for finding in reading.trouble():
            view.no(finding.detail, finding.remedy)
        if Agreement.DIFFERS in found:
            view.no("read again, it is not what was recorded", "keep the card and verify that copy")
            return "failed"
        if Agreement.UNREAD in found:
            view.no("read again, not all of it could be read", "keep the card and verify that copy")
            return "failed"
        if Agreement.NOT_SHOWN in found:
            view.no(
                "read again, it agrees and could not be shown to come from the drive",
                "unplug the drive, plug it in again, and ask again",
            )
            return None
        return "proven"

    def _hold(
        self,
        root: int,
        entries: Sequence[FileEntry],
        volume: Volume,
        algorithm: str,
        expected: Callable[[bytes], str],
        view: CopyInView,
        reading: Reading | None = None,
    ) -> Agreement:
        return hashes_hold(
            self.io,
            root,
            entries,
            volume,
            algorithm,
            expected,
            accepted=self.rules.accepted,
            drive=view.drive,
            settings=self.settings,
            emit=self.emit,
            cancel=self.cancel,
            reading=reading,
        )

    # --- the drive

    def _answers(self, view: CopyInView, volume: Volume) -> bool:
        """A small file written and flushed there just now; on a read-only volume its records from the medium."""
        if volume.read_only:
            return self._records_from_medium(view, volume)
        try:
            self._write_small_file(view.handle)
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                view.no("the drive is full: nothing can be written beside the copy", "make room on it and ask again")
            elif error.errno == errno.EROFS:
                view.no("the drive has turned read-only by itself", "unplug it, plug it in again, and verify it")
            else:
                view.no(f"the drive does not take a small file now ({said(error)})", "check the drive, then verify it")
            view.drive_failed = error.errno not in (errno.ENOSPC, errno.EDQUOT)
            return False
        view.writable = True
        return True

    def _write_small_file(self, roll_folder: int) -> None:
        io = self.io
        records = io.open_folder(RECORDS_FOLDER, roll_folder)
        try:
            with contextlib.suppress(FileNotFoundError):
                io.remove(_PROBE_NAME, records)
            handle = io.create(_PROBE_NAME, records, direct=False)
            try:
                if io.write_from(handle, memoryview(b"answers\n"), 0) != 8:
                    raise OSError(errno.ENOSPC, "the drive took only a part of a small file")
                io.flush(handle)
            finally:
                io.close(handle)
                with contextlib.suppress(OSError):
                    io.remove(_PROBE_NAME, records)
        finally:
            io.close(records)

    def _records_from_medium(self, view: CopyInView, volume: Volume) -> bool:
        assert view.chain is not None
        io = self.io
        entries: list[FileEntry] = []
        digests: dict[bytes, str] = {}
        records = io.open_folder(RECORDS_FOLDER, view.handle)
        try:
            for link in view.chain.links:
                name = link.name.encode("ascii")
                found = io.stat(name, records)
                entries.append(FileEntry(name, found.size, found.modified_ns))
                digests[name] = link.sha256
            agrees = self._hold(records, entries, volume, "sha256", digests.__getitem__, view)
        finally:
            io.close(records)
        good = agrees is Agreement.HOLDS
        if agrees is Agreement.DIFFERS:
            view.no("its records, read again, are not those read a moment ago", "keep the card and verify that copy")
        elif not good:
            view.no(
                "it is read-only, and its records cannot be shown to come from the drive itself",
                "unplug it, plug it in again, and ask again",
            )
        return good


def _in_a_sentence(text: str) -> str:
    """Sentences of the records' room as a part of another one."""
    first = text[:1].lower() if text[1:2].islower() or text[1:2] == " " else text[:1]
    return (first + text[1:]).removesuffix(".")


def _recorded(view: CopyInView, algorithm: str, path: bytes) -> str:
    return view.rows[path].hashes[algorithm]
