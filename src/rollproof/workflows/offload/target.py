"""One drive's side of an offload: what is prepared on it before the copy, and the evidence written after it."""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from rollproof.copies.location import place_on
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.copying.marker import add_suspects, remove_marker, write_marker
from rollproof.copying.plan import Action, DrivePlan
from rollproof.models.errors import DriveFault, UntrustedInput
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import MARKER_NAME, shown
from rollproof.models.results import CopyState as ResultState
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.board import CopyState, ProofBoard
from rollproof.records.chain import read_chain
from rollproof.records.rows import FileRow
from rollproof.records.standing import standing
from rollproof.records.write import tidy_records, unsigned_before
from rollproof.storage.errors import is_too_many_files, paper_trouble
from rollproof.storage.files import exists, flush_folder, open_below
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import Io
from rollproof.storage.readback import NotAsWritten, ReadsDiffer


@dataclass(slots=True)
class DriveAtWork:
    """One destination: where the roll goes, and what the preflight knows of it.

    `base` is the folder named by the person or the production file, `relative` the roll folder below it. `handle` is
    the roll folder's handle once it exists (and its lock is held). `recorded` are paths that some record holds a
    hash for, `records_read` the SHA-256 of the records that were read for it, `founded_by` the identity the copy has by
    them, `newest_word` the SHA-256 of the newest word among them. `production` is the one the records beside this copy
    belong to. `leftover_bytes` is the room that unfinished files of an earlier run give back. `noted` is what was found
    while its evidence was written.
    """

    drive: str
    role: str
    base: bytes
    relative: bytes
    volume: Volume
    plan: DrivePlan
    unfinished: bool
    recorded: Container[bytes] = frozenset()
    proven_by: str | None = None
    proven_readback: Evidence | None = None
    handle: int = -1
    base_handle: int = -1
    findings: list[Finding] = field(default_factory=list)
    records_read: dict[str, str] = field(default_factory=dict)
    founded_by: str | None = None
    record_name: str | None = None
    production: str | None = None
    leftover_bytes: int = 0
    noted: list[Finding] = field(default_factory=list)
    newest_word: str = ""

    @property
    def folder_on_volume(self) -> bytes:
        """The roll folder relative to the top of the volume."""
        return place_on(self.volume, self.roll_folder)

    @property
    def roll_folder(self) -> bytes:
        """The roll folder's path, for people."""
        return os.path.join(self.base, self.relative)

    @property
    def all_covered(self) -> bool:
        """Whether a record on this drive already proves everything: then nothing is written there, whatever the card
        says now. A card that reads badly today takes nothing from a copy that was proven when it read well."""
        return bool(self.plan.actions) and all(action == Action.COVERED for action in self.plan.actions)


def card_session(volume: Volume) -> str | None:
    """What tells a card for as long as it is not taken out, as text; None where that cannot be told."""
    known = (volume.boot_id, volume.device.disk_sequence, volume.st_dev, volume.device.key)
    return None if None in known else " ".join(str(part) for part in known)


WriteEvidence = Callable[[DriveAtWork, ResultState], str]
"""Writes record and manifest of a drive, flushed; returns the record's name."""


class RollToCopy(Protocol):
    """What of a source is needed on a drive: see `source.Source`."""

    snapshot: Snapshot
    lacking: tuple[FileEntry, ...]

    @property
    def known_as(self) -> Volume:
        """The card that the roll is known by."""
        ...


class OffloadDriveWork:
    """`copying.drive_side.DriveWork` for an offload."""

    def __init__(
        self,
        io: Io,
        at: DriveAtWork,
        roll: RollToCopy,
        board: ProofBoard,
        write_evidence: WriteEvidence,
        source_seen_whole: Callable[[], bool] = lambda: True,
    ) -> None:
        self._io = io
        self._at = at
        self._roll = roll
        self._board = board
        self._write_evidence = write_evidence
        self._source_seen_whole = source_seen_whole

    # --- before

    def prepare(self) -> int:
        """Roll folder, lock, marker; nothing at all where a record already proves everything."""
        at, io = self._at, self._io
        for number, text in at.plan.expected.items():
            self._board.covered(at.drive, number, text)
        if at.handle < 0:
            self._make_roll_folder()
        if not at.all_covered:
            volume = self._roll.known_as
            session = card_session(volume)
            write_marker(io, at.handle, host=socket.gethostname(), card_serial=volume.serial, card_session=session)
        return at.handle

    def _make_roll_folder(self) -> None:
        at, io = self._at, self._io
        parts = at.relative.split(b"/")
        handle = open_below(io, at.base_handle, at.relative, create=True)
        if not is_on_the_drive(io, at, handle):
            io.close(handle)
            raise DriveFault(elsewhere_finding(at.drive, at.relative))
        if not try_lock(io, handle):
            io.close(handle)
            raise DriveFault(locked_finding(at.drive, at.relative))
        at.handle = handle
        # the way down to the roll folder must be on the device before anything in it counts
        for depth in range(len(parts)):
            parent = open_below(io, at.base_handle, b"/".join(parts[:depth]))
            try:
                io.flush(parent)
            finally:
                io.close(parent)

    # --- after

    def seal(self) -> str:
        """What turned out to have changed on the source gets no final name here; then evidence beside the copy, then
        the marker away if every file is there."""
        at, io = self._at, self._io
        self._take_away_changed()
        self._still_there()
        state = self.state()
        if at.all_covered:
            tidy_records(io, at.handle)  # its record is down, and a run that ended there may have left half a signature
            at.noted += unsigned_before(io, at.handle)
            if state != "incomplete":
                at.record_name = at.proven_by
            if state == "proven" and exists(io, at.handle, MARKER_NAME) is not None:
                remove_marker(io, at.handle)  # its record was down already when the last run ended
            return state
        if state == "incomplete":
            add_suspects(io, at.handle, self._suspects())
        try:
            at.record_name = self._write_evidence(at, state)
        except (NotAsWritten, ReadsDiffer) as problem:
            raise DriveFault(paper_trouble(problem, at.drive)) from problem
        except UntrustedInput as problem:
            raise DriveFault(
                error(
                    Kind.BAD_RECORD,
                    f"the evidence cannot be added to what lies in the roll folder: {problem.message}",
                    path=shown(at.relative),
                    drive=at.drive,
                    remedy="keep the card; give the roll another name with --roll NAME, look into that folder later",
                )
            ) from problem
        if state == "proven":
            state = self._as_the_records_say()
        if state != "incomplete":
            remove_marker(io, at.handle)
        self._still_there()
        return state

    def _take_away_changed(self) -> None:
        """Only what this very run wrote is taken away: the file is still on the source, as bad as it is."""
        at, io, board = self._at, self._io, self._board
        written = (CopyState.WRITTEN, CopyState.MATCHES)
        numbers = [
            number
            for number in sorted(board.rule.changed)
            if at.plan.actions[number] == Action.COPY and board.copy_state(at.drive, number) in written
        ]
        if not numbers:
            return
        folders = FolderHandles(io, at.handle)
        try:
            for number in numbers:
                folder, _, name = self._roll.snapshot.files[number].path.rpartition(b"/")
                parent = folders.handle(folder)
                io.remove(name, parent)
                flush_folder(io, parent)
        finally:
            folders.close()

    def _as_the_records_say(self) -> ResultState:
        """Whoever asks later has only the records: proven is said when they say so, all together."""
        at, io = self._at, self._io
        chain = read_chain(io, at.handle, drive=at.drive)
        now = standing(io, at.handle, chain, at.volume, folder=at.folder_on_volume)
        if now.state == "proven":
            return "proven"
        at.noted.append(
            error(
                Kind.BAD_RECORD,
                f"every file was proven, yet the records beside the copy do not prove it: {' '.join(now.why)}",
                path=shown(at.relative),
                drive=at.drive,
                remedy=now.remedy,
            )
        )
        return "copied"

    def note_interrupted(self) -> None:
        """Leave the suspects for the next run."""
        if self._at.handle >= 0 and not self._at.all_covered:
            add_suspects(self._io, self._at.handle, self._suspects())

    def state(self) -> ResultState:
        """The state of the whole copy, as far as the board knows. A copy of a card that could not be seen whole is a
        copy of a part of it, however good: it must not look finished. Nor must one of a recorded copy that lacks files
        of the roll."""
        if not self._source_seen_whole() or (self._roll.lacking and not self._at.all_covered):
            return "incomplete"
        drive, board = self._at.drive, self._board
        if board.all_proven(drive):
            return "proven"
        if board.all_copied(drive):
            return "copied"
        return "incomplete"

    def _suspects(self) -> Iterator[FileEntry]:
        """Files of ours under their final names that must not be trusted. A file that a record speaks for, or that
        was there before any run of ours, is never ours to replace."""
        at = self._at
        for number, entry in enumerate(self._roll.snapshot.files):
            if not self._board.is_suspect(at.drive, number):
                continue
            action = at.plan.actions[number]
            ours = action in (Action.COPY, Action.REPLACE) or (at.unfinished and entry.path not in at.recorded)
            if ours:
                yield entry

    def _still_there(self) -> None:
        """After a lazy unmount handles still work: look that the path still leads to this very folder."""
        at, io = self._at, self._io
        try:
            fresh = io.open_root(at.roll_folder)
        except OSError as failure:
            if is_too_many_files(failure):
                raise
            same = False
        else:
            try:
                now, then = io.fstat(fresh), io.fstat(at.handle)
                same = (now.device, now.inode) == (then.device, then.inode)
            finally:
                io.close(fresh)
        if not same:
            raise DriveFault(
                error(
                    Kind.DRIVE_GONE,
                    "the drive was unmounted or exchanged during the offload",
                    path=shown(at.roll_folder),
                    drive=at.drive,
                    remedy="connect the drive again, then run the same command again",
                )
            )

    def close(self) -> None:
        """Let go of the folder and its lock."""
        for handle in (self._at.handle, self._at.base_handle):
            if handle >= 0:
                with contextlib.suppress(OSError):
                    self._io.close(handle)
        self._at.handle = self._at.base_handle = -1


def is_on_the_drive(io: Io, at: DriveAtWork, handle: int) -> bool:
    """Whether a roll folder that was reached from the drive's own folder still lies on the same file system."""
    return io.fstat(handle).device == io.fstat(at.base_handle).device


def elsewhere_finding(drive: str, relative: bytes) -> Finding:
    """What would be written there is not on the drive that was named."""
    return error(
        Kind.DRIVE_MISSING,
        "another file system is mounted inside the folder meant for the roll",
        path=shown(relative),
        drive=drive,
        remedy="unmount it, or name the drive that it is with --to",
    )


_ROW_STATES = {
    CopyState.NONE: "missing",
    CopyState.DIFFERS: "differs",
    CopyState.FAULTY: "failed",
}


def rows_of(card: Snapshot, at: DriveAtWork, board: ProofBoard) -> Iterator[FileRow]:
    """The record's rows for one drive, in byte order of their paths."""
    all_proven, none_provable = board.all_proven(at.drive), board.none_provable()
    for number, entry in enumerate(card.files):
        proven = all_proven or (not none_provable and board.is_proven(at.drive, number))
        state: str | None = None
        if not proven:
            copied = board.is_copied(at.drive, number)
            state = "copied" if copied else _ROW_STATES.get(board.copy_state(at.drive, number), "failed")
        yield FileRow(entry.path, entry.size, entry.modified_ns, board.hashes(number), proven, state)
