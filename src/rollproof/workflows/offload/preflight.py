"""Everything that can be known to go wrong, found before the first byte is written."""

from __future__ import annotations

import contextlib
import os
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from rollproof.copies.reading_journal import ReadingJournal
from rollproof.copies.silent_drive import put_down_silent
from rollproof.copying.plan import Action, DrivePlan
from rollproof.drives import checks
from rollproof.drives.interface import Drives
from rollproof.hashing import proof_algorithm
from rollproof.models.file_table import sizes_of
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Volume
from rollproof.records.lines import BadRecord
from rollproof.records.store import look, records_folder
from rollproof.station.context import Context
from rollproof.storage.deadline import Guard, Patience
from rollproof.storage.errors import no_folder
from rollproof.storage.files import partial_name
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.offload.found import Asked, look_at_roll_folder
from rollproof.workflows.offload.order import Destination, Order
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork

ANSWER_SECONDS = 60.0
"""How long one call on a drive may take before the drive counts as hanging (spinning up takes about ten)."""
_STOP_SECONDS = 2.0
"""How long an asked-for end waits for a drive that is being looked at."""

_STOPPED = "Stopped while looking at the drives; nothing was copied."

T = TypeVar("T")
_Access = Callable[[bytes, int], bool]


@dataclass(slots=True)
class Preflight:
    """What was found. `drives` holds those that could be looked at; errors in `findings` forbid the start."""

    drives: list[DriveAtWork]
    findings: list[Finding]

    @property
    def refused(self) -> bool:
        """Whether anything speaks against the start."""
        return any(finding.severity is Severity.ERROR for finding in self.findings)

    def close(self, io: Io) -> None:
        """Let go of all folders and locks."""
        for at in self.drives:
            for handle in (at.handle, at.base_handle):
                if handle >= 0:
                    with contextlib.suppress(OSError):
                        io.close(handle)
            at.handle = at.base_handle = -1


def preflight(
    source: Source, wanted: Sequence[Destination], algorithms: Sequence[str], order: Order, ctx: Context
) -> Preflight:
    """Look at every destination; all problems in one list, nothing written. Raises Interrupted."""
    found = Preflight([], [])
    accepted = frozenset(order.policy.accepted_evidence)
    asked = Asked(
        source,
        tuple(algorithms),
        proof_algorithm(algorithms),
        accepted,
        source.production(order),
        ctx.cancel,
        ctx.station.peek(lambda ledger: ledger.unsettled_readings()) or {},
        ReadingJournal(ctx.station, "offload"),
    )
    try:
        _look_at_all(ctx.io, ctx.drives, wanted, asked, found, distinct_devices=order.policy.distinct_devices)
    except BaseException:
        found.close(ctx.io)
        raise
    return found


def _look_at_all(
    io: Io, drives: Drives, wanted: Sequence[Destination], asked: Asked, found: Preflight, *, distinct_devices: bool
) -> None:
    card, findings = asked.card, found.findings
    answering: list[Destination] = []
    for want in wanted:
        try:
            at, problems = _look_in_time(io, drives, asked, want)
        except NoAnswer:
            silent = _silent(want)
            findings.append(silent)
            findings += put_down_silent(asked.journal, drives, want.base, want.drive, silent.detail)
            continue
        answering.append(want)
        findings += problems
        if at is not None:
            found.drives.append(at)
    # whoever does not answer is asked nothing more
    placed = checks.placement_findings(card.path, [(want.drive, want.base) for want in answering], drives)
    # a folder that was given twice is locked by ourselves: that it was given twice is all there is to say
    twice = {each.drive for each in placed if each.kind is Kind.SAME_FOLDER and each.severity is Severity.ERROR}
    findings[:] = [each for each in findings if not (each.kind is Kind.LOCKED and each.drive in twice)]
    findings += placed
    findings += checks.device_findings(
        [(at.drive, at.volume) for at in found.drives], card.volume, distinct_required=distinct_devices
    )
    findings += _space(card, found.drives, asked.algorithms)


def _look_in_time(io: Io, drives: Drives, asked: Asked, want: Destination) -> tuple[DriveAtWork | None, list[Finding]]:
    """A look as long as its calls come back: a roll folder of very many files on a slow drive takes minutes. Raises
    NoAnswer, and Interrupted when the end is asked for and does not come."""
    guard = looking_at_drives(asked.cancel)
    timed_io, timed_drives, access = guard.watching(io), guard.watching(drives), guard.timed(os.access)
    return guard.run(lambda: _look(timed_io, timed_drives, access, asked, want))


def looking_at_drives(cancel: Cancel) -> Guard:
    """The guard for a look at a drive before anything is copied to it."""
    return Guard(Patience(ANSWER_SECONDS, _STOP_SECONDS, ANSWER_SECONDS, _STOPPED), cancel)


def _silent(want: Destination) -> Finding:
    return error(
        Kind.DRIVE_HANGS,
        f"the drive has not answered for {ANSWER_SECONDS:.0f} seconds",
        path=shown(want.base),
        drive=want.drive,
        remedy="unplug it and plug it in again, or leave it out, then run the command again",
    )


def _look(
    io: Io, drives: Drives, access: _Access, asked: Asked, want: Destination
) -> tuple[DriveAtWork | None, list[Finding]]:
    """The drive as far as it could be looked at, and all that speaks against it."""
    try:
        base_handle = io.open_root(want.base)
    except OSError as error:
        return None, [_missing(want, error)]
    at: DriveAtWork | None = None
    try:
        at = _look_at_drive(io, drives, access, asked, want, base_handle)
        return at, at.findings
    except OSError as error:
        return None, [_missing(want, error)]
    finally:
        if at is None:
            with contextlib.suppress(OSError):
                io.close(base_handle)


def _missing(want: Destination, error: OSError) -> Finding:
    return Finding(
        Kind.DRIVE_MISSING,
        Severity.ERROR,
        shown(want.base),
        no_folder(want.base, error),
        drive=want.drive,
        remedy="attach and mount the drive; if this is to be a new folder on it, make the folder first",
    )


def _look_at_drive(
    io: Io, drives: Drives, access: _Access, asked: Asked, want: Destination, base_handle: int
) -> DriveAtWork:
    volume = drives.volume_of(want.base)
    at = DriveAtWork(
        want.drive,
        want.role,
        want.base,
        want.relative,
        volume,
        DrivePlan(b"", (), {}),
        False,
        base_handle=base_handle,
        production=asked.production,
    )
    at.findings += checks.name_findings(asked.card.snapshot, volume.limits, want.drive)
    problem = _not_writable(want.base, volume, access)
    if problem:
        at.findings.append(
            error(
                Kind.NOT_WRITABLE,
                f"nothing can be written there: {problem}",
                path=shown(want.base),
                drive=want.drive,
                remedy="mount it writable or check who owns it, or take another drive",
            )
        )
    around = _roll_around(io, volume.mount_point, want.base)
    if around is not None:
        at.findings.append(
            error(
                Kind.DESTINATION_INSIDE_ROLL,
                f"{shown(around)} is the folder of a roll with its records: a roll copied into it would make it another"
                " than they say",
                path=shown(want.base),
                drive=want.drive,
                remedy="name the drive itself, or a folder beside the rolls",
            )
        )
    look_at_roll_folder(io, asked, at)
    with contextlib.suppress(OSError):  # what cannot be seen makes no room
        at.leftover_bytes = _leftover_bytes(io, asked.card.snapshot, at)
    return at


def _roll_around(io: Io, mount_point: bytes, base: bytes) -> bytes | None:
    """The roll folder that `base` is or lies in, told by records of offloads beside it; None when there is none."""
    folder = os.path.realpath(base)
    while True:
        with contextlib.suppress(OSError, BadRecord):
            handle = io.open_root(folder)
            try:
                with records_folder(io, handle) as records:
                    if any(each.kind == "offload" for each in look(io, records).records):
                        return folder
            finally:
                io.close(handle)
        parent = os.path.dirname(folder)
        if folder in (mount_point, parent):
            return None
        folder = parent


def _not_writable(base: bytes, volume: Volume, access: _Access) -> str | None:
    if volume.read_only:
        return "the drive is mounted read-only"
    if not access(base, os.W_OK | os.X_OK):
        return "no permission to write in this folder"
    return None


def _space(card: Source, drives: Sequence[DriveAtWork], algorithms: Sequence[str]) -> list[Finding]:
    """Two destinations on one volume need room for both."""
    groups: dict[int, list[DriveAtWork]] = defaultdict(list)
    for at in drives:
        groups[at.volume.st_dev].append(at)
    findings: list[Finding] = []
    for group in groups.values():
        needed = sum(
            checks.bytes_needed(
                _sizes_to_write(card.snapshot, at), len(card.snapshot.folders), at.volume.limits, algorithms
            )
            for at in group
        )
        free = group[0].volume.free_bytes + sum(at.leftover_bytes for at in group)
        finding = checks.space_finding(" and ".join(at.drive for at in group), needed, free)
        if finding is not None:
            findings.append(finding)
    return findings


def _leftover_bytes(io: Io, card: Snapshot, at: DriveAtWork) -> int:
    """Bytes in unfinished files of a run that was killed: each makes way for its fresh copy, so that a drive with room
    for the roll has room for the rerun. Never more than the fresh copies take. OSError when the folder is gone."""
    if at.handle < 0 or not at.unfinished:
        return 0
    folders = FolderHandles(io, at.handle)
    total = 0
    try:
        for number in at.plan.numbers(Action.COPY, Action.REPLACE):
            folder, _, name = card.files[number].path.rpartition(b"/")
            try:
                left = io.stat(partial_name(name), folders.handle(folder))
            except OSError:
                continue
            if left.kind is EntryKind.FILE and left.links == 1:
                total += min(left.size, card.files[number].size)
    finally:
        folders.close()
    return total


def _sizes_to_write(card: Snapshot, at: DriveAtWork) -> list[int]:
    numbers = at.plan.numbers(Action.COPY, Action.REPLACE) if at.plan.actions else range(len(card.files))
    return list(sizes_of(card.files, numbers))
