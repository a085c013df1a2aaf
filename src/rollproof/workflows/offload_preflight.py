"""Everything that can be known to go wrong, found before the first byte is written."""

from __future__ import annotations

import contextlib
import os
import threading
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from rollproof.card.snapshot import take_snapshot
from rollproof.copying.marker import read_marker
from rollproof.copying.plan import Action, DrivePlan, plan_drive
from rollproof.copying.trouble import said
from rollproof.drives import checks
from rollproof.drives.interface import Drives
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import RECORDS_FOLDER, shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Volume
from rollproof.records.chain import Chain, read_chain
from rollproof.records.models import OffloadHeader, SourceBlock
from rollproof.records.standing import standing
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.workflows.offload_card import CardAtWork
from rollproof.workflows.offload_drive import DriveAtWork, locked_finding, try_lock

_ANSWER_SECONDS = 60.0
"""How long a drive may take to tell what is on it before it counts as hanging (spinning up takes about ten)."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Wanted:
    """A destination as asked for: the folder on the drive, and the roll folder below it."""

    drive: str
    role: str
    base: bytes
    relative: bytes


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
    io: Io,
    drives: Drives,
    card: CardAtWork,
    wanted: Sequence[Wanted],
    *,
    algorithms: Sequence[str],
    proof_algorithm: str,
    distinct_devices: bool,
    cancel: Cancel,
) -> Preflight:
    """Look at every destination; all problems in one list, nothing written."""
    findings: list[Finding] = []
    at_work: list[DriveAtWork] = []
    for want in wanted:
        look = partial(_look, io, drives, card, want, proof_algorithm, findings, cancel)
        try:
            at = within(_ANSWER_SECONDS, look)
        except TimeoutError:
            findings.append(_silent(want))
            continue
        if at is not None:
            at_work.append(at)
    findings += checks.placement_findings(card.path, [(want.drive, want.base) for want in wanted], drives)
    findings += checks.device_findings(
        [(at.drive, at.volume) for at in at_work], card.volume, distinct_required=distinct_devices
    )
    findings += _space(card, at_work, algorithms)
    return Preflight(at_work, findings)


def within(seconds: float, work: Callable[[], T]) -> T:
    """Run something that may hang on a drive. Raises TimeoutError when it does, and what it raises otherwise."""
    outcome: list[T] = []
    trouble: list[BaseException] = []

    def run() -> None:
        try:
            outcome.append(work())
        except BaseException as error:  # noqa: BLE001 - raised again below, in the calling thread
            trouble.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(seconds)
    if thread.is_alive():
        raise TimeoutError
    if trouble:
        raise trouble[0]
    return outcome[0]


def _silent(want: Wanted) -> Finding:
    return Finding(
        Kind.DRIVE_HANGS,
        Severity.ERROR,
        shown(want.base),
        f"the drive has not answered for {_ANSWER_SECONDS:.0f} seconds",
        drive=want.drive,
        remedy="unplug it and plug it in again, or leave it out, then run the command again",
    )


def _look(
    io: Io,
    drives: Drives,
    card: CardAtWork,
    want: Wanted,
    proof_algorithm: str,
    findings: list[Finding],
    cancel: Cancel,
) -> DriveAtWork | None:
    try:
        base_handle = io.open_root(want.base)
        volume = drives.volume_of(want.base)
    except OSError as error:
        findings.append(
            Finding(
                Kind.DRIVE_MISSING,
                Severity.ERROR,
                shown(want.base),
                f"there is no folder {shown(want.base)} ({said(error)})",
                drive=want.drive,
                remedy="attach and mount the drive; if this is to be a new folder on it, make the folder first",
            )
        )
        return None
    at = DriveAtWork(
        want.drive,
        want.role,
        want.base,
        want.relative,
        volume,
        DrivePlan(b"", (), {}),
        False,
        base_handle=base_handle,
    )
    at.findings += checks.name_findings(card.snapshot, volume.limits, want.drive)
    problem = _not_writable(want.base, volume)
    if problem:
        at.findings.append(
            Finding(
                Kind.NOT_WRITABLE,
                Severity.ERROR,
                shown(want.base),
                f"nothing can be written there: {problem}",
                drive=want.drive,
                remedy="mount it writable or check who owns it, or take another drive",
            )
        )
    _look_at_roll_folder(io, card, at, proof_algorithm, cancel)
    findings += at.findings
    return at


def _not_writable(base: bytes, volume: Volume) -> str | None:
    if volume.read_only:
        return "the drive is mounted read-only"
    if not os.access(base, os.W_OK | os.X_OK):
        return "no permission to write in this folder"
    return None


def _look_at_roll_folder(io: Io, card: CardAtWork, at: DriveAtWork, proof_algorithm: str, cancel: Cancel) -> None:
    covered: dict[bytes, tuple[int, int, str]] = {}
    suspects: frozenset[bytes] = frozenset()
    try:
        handle = open_below(io, at.base_handle, at.relative)
    except FileNotFoundError:
        at.plan = plan_drive(card.snapshot, None, at.volume.limits, drive=at.drive, covered=covered, suspects=suspects)
        return
    except OSError as error:
        at.findings.append(
            Finding(
                Kind.DIFFERENT_CONTENT,
                Severity.ERROR,
                shown(at.relative),
                f"what stands where the roll folder should be cannot be used ({said(error)}); links are not followed",
                drive=at.drive,
                remedy="move it away, or give the roll another name with --roll NAME",
            )
        )
        return
    at.handle = handle
    if not try_lock(io, handle):
        at.findings.append(locked_finding(at.drive, at.relative))
        return
    there = take_snapshot(io, handle, card.rules.for_copy(), cancel=cancel)
    marker = read_marker(io, handle)
    at.unfinished = marker is not None
    if marker is not None:
        suspects = marker.suspects
    serials = {marker.card_serial} if marker is not None and marker.card_serial else set()
    chain = read_chain(io, handle, roll=card.roll, drive=at.drive) if _has_records(io, handle) else None
    if chain is not None:
        covered = _from_records(io, card, at, chain, proof_algorithm, serials)
    if card.volume.serial is not None and any(serial != card.volume.serial for serial in serials):
        at.findings.append(
            Finding(
                Kind.DIFFERENT_CONTENT,
                Severity.ERROR,
                shown(at.relative),
                "the roll folder on the drive belongs to another card of this name",
                drive=at.drive,
                remedy="give this card's roll its own name with --roll NAME",
            )
        )
    at.plan = plan_drive(card.snapshot, there, at.volume.limits, drive=at.drive, covered=covered, suspects=suspects)
    at.findings += at.plan.findings


def _has_records(io: Io, handle: int) -> bool:
    try:
        io.stat(RECORDS_FOLDER, handle)
    except OSError:
        return False
    return True


def _from_records(
    io: Io,
    card: CardAtWork,
    at: DriveAtWork,
    chain: Chain,
    proof_algorithm: str,
    serials: set[str],
) -> dict[bytes, tuple[int, int, str]]:
    """What the records of an earlier offload prove on this device, and whether they speak of this card."""
    offloads = [link.header for link in chain.links if isinstance(link.header, OffloadHeader)]
    newest = offloads[-1] if offloads else None
    if newest is not None and newest.source.serial:
        serials.add(newest.source.serial)
    found = standing(io, at.handle, chain, at.volume)
    rows = found.files()
    at.recorded = frozenset(path for path, row in rows.items() if row.hashes)
    on_card = {entry.path: entry for entry in card.snapshot.files}
    changed = [
        path
        for path, row in rows.items()
        if path not in on_card or (on_card[path].size, on_card[path].modified_ns) != (row.size, row.modified_ns)
    ]
    unknown_card = newest is not None and not _surely_the_card(newest.source, card.volume)
    if changed or (unknown_card and newest is not None and len(on_card) > len(rows)):
        first = shown(changed[0]) if changed else ""
        at.findings.append(
            Finding(
                Kind.DIFFERENT_CONTENT,
                Severity.ERROR,
                first,
                f"the card no longer holds what is recorded for this roll: {first} and {len(changed) - 1:,} more"
                if len(changed) > 1
                else f"the card no longer holds what is recorded for this roll: {first}"
                if changed
                else "the card has files that are new, and cannot be shown to be the recorded one",
                drive=at.drive,
                count=max(len(changed), 1),
                remedy="the card was probably used again: give the new roll its own name with --roll NAME",
            )
        )
    if found.state != "proven" or not chain.whole:
        return {}
    at.proven_by = found.proven_record
    at.proven_readback = found.readback
    return {
        path: (row.size, row.modified_ns, row.hashes[proof_algorithm])
        for path, row in rows.items()
        if row.proven and proof_algorithm in row.hashes
    }


def _surely_the_card(recorded: SourceBlock, now: Volume) -> bool:
    """By its volume serial; where one has none, by never having been away: same boot, same medium in the same slot."""
    if recorded.serial is not None and now.serial is not None:
        return recorded.serial == now.serial
    then = (recorded.boot_id, recorded.disk_sequence, recorded.number, recorded.device.key)
    return then == (now.boot_id, now.device.disk_sequence, now.st_dev, now.device.key) and None not in then


def _space(card: CardAtWork, drives: Sequence[DriveAtWork], algorithms: Sequence[str]) -> list[Finding]:
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
        finding = checks.space_finding(" and ".join(at.drive for at in group), needed, group[0].volume.free_bytes)
        if finding is not None:
            findings.append(finding)
    return findings


def _sizes_to_write(card: Snapshot, at: DriveAtWork) -> list[int]:
    if not at.plan.actions:
        return [entry.size for entry in card.files]
    return [card.files[number].size for number in at.plan.numbers(Action.COPY, Action.REPLACE)]
