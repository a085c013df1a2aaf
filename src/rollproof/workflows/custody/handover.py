"""A drive leaves: look whether its rolls are whole, write down what leaves, give the receipt and the sheet."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

from rollproof.copies.drive import LOST, opened_drive
from rollproof.copies.location import place_on
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.models.custody_results import CustodyRoll, DriveOfCustody, HandoverOut, HandoverResult
from rollproof.models.errors import ExitStatus, Interrupted, Refused, UntrustedInput, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.grouped import grouped
from rollproof.models.names import inert, shown
from rollproof.models.requests import HandoverRequest
from rollproof.models.volumes import Volume
from rollproof.proof.evidence import weakest
from rollproof.records.blocks import copy_block, this_station
from rollproof.records.models import By, CopyBlock, CopyState, HandoverHeader, Totals, finding_blocks
from rollproof.records.receipt import receipt_of
from rollproof.records.write import WrittenRecord, append_record
from rollproof.station.context import Context
from rollproof.station.keys import own_key
from rollproof.station.rules import rules_for
from rollproof.storage.errors import said
from rollproof.storage.files import open_below
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.custody.holdings import LackingRolls
from rollproof.workflows.custody.places import (
    Place,
    compare_with_handovers,
    find_places,
    places_of,
    refuse_part_of_a_drive,
    roll_lines,
)
from rollproof.workflows.custody.rolls import Rereading, RollLook, RollSeen
from rollproof.workflows.custody.sheet import check_sheet, write_sheet

MAX_SAID = 500
"""Letters of a name or a note that a person may give."""


def handover(request: HandoverRequest, ctx: Context) -> HandoverResult:
    """Hand a drive over: one record for each production on it, with the receipt over its rolls' newest records.

    The record is written whatever the state of the rolls is, and tells it; the verdict is `proven` only when every
    roll is. Raises UsageProblem for what makes no sense, Refused when there is nothing to hand over or the drive
    cannot be written to, Interrupted when the end was asked for. Nothing was written for the drive then, but the
    verify records of rolls that `reread` had read already. CouldNotFinish when the drive does not answer: no call on it
    is waited for much longer than `settings.stall_seconds`.
    """
    _check_words(request)
    check_sheet(request.sheet)
    guard, inside = ctx.guarded()
    return guard.run_or_end(
        lambda: _handed_over(request, inside),
        request.drive,
        "whether its handover was written is not known: ask with custody when it is back, or hand it over again",
    )


def _handed_over(request: HandoverRequest, ctx: Context) -> HandoverResult:
    began, io, drives, cancel = time.monotonic(), ctx.io, ctx.drives, ctx.cancel
    root = opened_drive(io, request.drive)
    try:
        volume = drives.volume_of(request.drive)
        if volume.read_only:
            raise Refused(
                f"{shown(request.drive)} is read-only: its handover cannot be written on it",
                [_refusal(Kind.READ_ONLY, request.drive, "the drive is read-only", "mount it writable")],
                hint="mount it writable, then hand it over",
            )
        ruling = rules_for(request.working_folder, request.production_file, drives, (request.drive,))
        look = RollLook(io, drives, cancel, ruling.rules)
        found = look.folders(root, request.drive)
        if not found.inner:
            detail = f"there is no roll at or below {shown(request.drive)}"
            remedy = "name the folder where the drive is mounted"
            raise Refused(detail, [_refusal(Kind.NO_HISTORY, request.drive, detail, remedy)], hint=remedy)
        rolls = [look.chain(request.drive, folder) for folder in sorted(found.inner)]
        rolls += look.around(request.drive, found)
        refuse_part_of_a_drive(request.drive, rolls)
        with ctx.station as station:
            reading = Rereading(ctx, request.person, ruling.rules)
            for seen in rolls:
                if request.reread:
                    reading.run(seen, found.inner.get(seen.folder, ()))
                    # what leaves is the chain with the record of this reading
                    seen.chain = look.chain(request.drive, seen.folder).chain
                else:
                    look.quick(seen)
            look.cards(rolls)
            around = (
                reading.outer(request.drive, found)
                if request.reread
                else look.check_around(request.drive, found, request.person)
            )
            lacks = LackingRolls(io, drives, ruling.production)
            missing = station.tell(lambda ledger: lacks.of(ledger, request.drive, volume, rolls)) or []
            around = [*found.findings, *around, *missing]
            odd = [*around, *station.findings(), *ruling.findings]
        places = places_of(io, root, request.drive, rolls, find_places(io, root, list(found.inner), cancel))
        if cancel.is_set():
            raise Interrupted("the handover was interrupted; no handover was written")
        writer = _Writer(ctx, root, request, volume, odd, around)
        for place in places:
            if place.rolls:
                compare_with_handovers(place)
                writer.write(place)
    finally:
        with contextlib.suppress(OSError):
            io.close(root)
    return writer.result(rolls, began)


def _check_words(request: HandoverRequest) -> None:
    if not request.to.strip():
        raise UsageProblem("a handover needs to say who gets the drive", hint="--to NAME")
    for name, value in (("--to", request.to), ("--via", request.via), ("--note", request.note)):
        if len(value) > MAX_SAID:
            raise UsageProblem(f"{name} is longer than {MAX_SAID} letters", hint="say it shorter")


def _refusal(kind: Kind, path: bytes, detail: str, remedy: str) -> Finding:
    return error(kind, detail, path=shown(path), remedy=remedy)


class _Writer:
    """Writes the records of one handover, and remembers what was written."""

    def __init__(
        self,
        ctx: Context,
        root: int,
        request: HandoverRequest,
        volume: Volume,
        findings: Iterable[Finding],
        around: Sequence[Finding],
    ) -> None:
        self._io = ctx.io
        self._root = root
        self._request = request
        self._volume = volume
        self._signer = ctx.signer
        self._now = ctx.now()
        self._findings = list(findings)
        self._around = around
        """What is wrong around the rolls; a record of the handover tells it too."""
        self._written: list[tuple[Place, HandoverHeader, WrittenRecord]] = []
        self._failed = False

    def write(self, place: Place) -> None:
        """One record; whatever keeps it from being written is a finding."""
        path = os.path.join(self._request.drive, place.folder) if place.folder else self._request.drive
        self._findings += place.chain.findings
        if not place.chain.whole:
            self._failed = True
        header = self._header(place, path)
        try:
            handle = open_below(self._io, self._root, place.folder)
        except OSError as error:
            self._not_written(path, said(error))
            return
        try:
            if not try_lock(self._io, handle):
                self._failed = True
                self._findings.append(locked_finding(shown(path), path))
                return
            written = append_record(
                self._io,
                handle,
                header,
                signer=self._signer,
                as_read=place.chain.digests,
                medium=MediumAccess(self._io, self._volume.way, self._volume.source),
            )
        except OSError as error:
            self._not_written(path, said(error))
        except UntrustedInput as problem:
            self._not_written(path, problem.message)
        else:
            self._written.append((place, header, written))
            if written.unsigned is not None:
                self._findings.append(written.unsigned)
                self._failed |= written.unsigned.severity is Severity.ERROR
        finally:
            with contextlib.suppress(OSError):
                self._io.close(handle)

    def _header(self, place: Place, path: bytes) -> HandoverHeader:
        rolls = list(place.rolls.values())
        request = self._request
        return HandoverHeader(
            written_at=self._now,
            by=By(name=request.person.name, role=request.person.role),
            station=this_station(),
            production=place.production,
            to=request.to.strip(),
            via=request.via.strip(),
            note=request.note.strip(),
            checked="reread" if request.reread else "quick",
            copy_=copy_of(self._volume, path, rolls, reread=request.reread),
            rolls=roll_lines(place.rolls),
            findings=finding_blocks(
                grouped([*place.chain.findings, *self._around, *(f for seen in rolls for f in seen.findings)])
            ),
            totals=totals_of(rolls),
            receipt=receipt_of(
                (folder, seen.head.sha256 if seen.head else None) for folder, seen in place.rolls.items()
            ),
        )

    def _not_written(self, path: bytes, why: str) -> None:
        self._failed = True
        self._findings.append(
            error(
                Kind.DRIVE_FAILED,
                f"the handover could not be written to {shown(path)} ({why})",
                path=shown(path),
                drive=shown(self._request.drive),
                remedy="check the room and the cable of the drive, then hand it over again",
            )
        )

    def result(self, rolls: Sequence[RollSeen], began: float) -> HandoverResult:
        """The result, after the sheet was written."""
        drive = drive_of(self._request.drive, self._volume)
        handovers = [_out(self._request.drive, *written) for written in self._written]
        signed = any(written.unsigned is None for _, _, written in self._written)
        key = own_key() if signed else None
        sheet: Path | None = None
        if self._written:
            headers = [header for _, header, _ in self._written]
            try:
                sheet = write_sheet(self._request.sheet, drive, headers, key.fingerprint if key else "")
            except OSError as error:
                self._findings.append(
                    warning(
                        Kind.SHEET_NOT_WRITTEN,
                        f"the sheet for the envelope could not be written ({said(error)}); the record stands",
                        remedy="write the receipt on paper by hand",
                    )
                )
        found = [*self._findings, *(finding for seen in rolls for finding in seen.findings)]
        around = any(finding.severity is Severity.ERROR for finding in self._around)
        proven = not self._failed and not around and bool(rolls) and all(seen.proven for seen in rolls)
        lost = (self._failed and not self._written) or any(
            f.kind in LOST and f.severity is Severity.ERROR for f in found
        )
        return HandoverResult(
            verdict="proven" if proven else "not proven",
            receipt=handovers[0].receipt if len(handovers) == 1 else None,
            to=inert(self._request.to.strip()),
            via=inert(self._request.via.strip()),
            checked="reread" if self._request.reread else "quick",
            drive=drive,
            handovers=handovers,
            sheet=str(sheet) if sheet is not None else None,
            station_key=key.fingerprint if key is not None else "",
            findings=grouped(found),
            seconds=round(time.monotonic() - began, 3),
            status=ExitStatus.NOT_FINISHED if lost else ExitStatus.DONE if proven else ExitStatus.ANSWER_IS_NO,
        )


def _out(drive: bytes, place: Place, header: HandoverHeader, written: WrittenRecord) -> HandoverOut:
    return HandoverOut(
        path=shown(os.path.join(drive, place.folder) if place.folder else drive),
        production=place.production,
        record=written.name,
        receipt=header.receipt,
        rolls=[custody_roll(folder, seen) for folder, seen in sorted(place.rolls.items())],
    )


def custody_roll(folder: bytes, seen: RollSeen) -> CustodyRoll:
    """A roll as the result has it."""
    return CustodyRoll(
        roll=seen.roll,
        folder=shown(folder),
        state=seen.state,
        files=seen.files,
        bytes=seen.size_bytes,
        record=seen.head.name if seen.head is not None else None,
        why=seen.why,
    )


def drive_of(path: bytes, volume: Volume, known: str = "") -> DriveOfCustody:
    """Which drive this is, for people. `known` is what the station remembers of it."""
    return DriveOfCustody(
        path=shown(path),
        label=inert(volume.label),
        volume=inert(volume.serial) if volume.serial is not None else None,
        device=inert(volume.device.label or volume.device.model or volume.device.node),
        serial=inert(volume.device.serial),
        capacity_bytes=volume.capacity_bytes,
        file_system=inert(volume.file_system),
        known=known,
    )


def totals_of(rolls: Sequence[RollSeen]) -> Totals:
    """How much there is on the drive, and how much of it is in proven rolls."""
    return Totals(
        files=sum(seen.files for seen in rolls),
        bytes=sum(seen.size_bytes for seen in rolls),
        proven=sum(seen.files for seen in rolls if seen.proven),
        copied=sum(seen.files for seen in rolls if not seen.proven and seen.state == "copied"),
    )


def copy_of(volume: Volume, path: bytes, rolls: Sequence[RollSeen], *, reread: bool) -> CopyBlock:
    """The block that names the drive. `state` is the weakest of its rolls', `readback` that of a reading just now."""
    state: CopyState = "incomplete"
    if rolls and all(seen.proven for seen in rolls):
        state = "proven"
    elif rolls and all(seen.state in ("proven", "copied") for seen in rolls):
        state = "copied"
    evidence = [seen.readback for seen in rolls if seen.readback is not None] if reread else []
    roles = {seen.role for seen in rolls}
    return copy_block(
        volume,
        drive=volume.label or shown(os.path.basename(os.path.realpath(path))),
        role=roles.pop() if len(roles) == 1 else "",
        state=state,
        readback=weakest(evidence) if len(evidence) == len(rolls) else None,
        folder=place_on(volume, path),
    )
