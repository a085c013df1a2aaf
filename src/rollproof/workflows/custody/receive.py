"""A drive arrives: read everything on it again, compare with the handover, write down what was found, give the receipt.

The receipt is over the records *as they arrived*, before the re-reading appends its own. Records that this very station
has signed since the handover (it was received twice, or verified first) are passed over: nobody else can make those.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Sequence

from rollproof.copies.drive import is_lost, opened_drive
from rollproof.copies.packing_check import ArrivalCheck, PackingList, read_packing_list
from rollproof.copies.roll_lock import try_lock
from rollproof.models.custody_results import CustodyRoll, ReceiptCompared, ReceiveResult, SignatureOut
from rollproof.models.delivery_results import PackingCheck
from rollproof.models.errors import ExitStatus, UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.grouped import grouped
from rollproof.models.names import inert, shown
from rollproof.models.requests import ReceiveRequest
from rollproof.models.volumes import Volume
from rollproof.records.blocks import this_station
from rollproof.records.models import By, ReceiveHeader, RecordName, finding_blocks
from rollproof.records.receipt import read_receipt
from rollproof.records.signing import Signature
from rollproof.records.write import append_record
from rollproof.station.context import Context
from rollproof.station.known_drives import which_drive_if_any
from rollproof.storage.errors import not_writable, said
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.custody.arrival import Arrival, ArrivalLook, opened_place
from rollproof.workflows.custody.handover import copy_of, custody_roll, drive_of, totals_of
from rollproof.workflows.custody.places import (
    Place,
    find_places,
    places_of,
    refuse_part_of_a_drive,
    roll_lines,
)
from rollproof.workflows.custody.rolls import Rereading, RollLook, RollSeen


def receive(request: ReceiveRequest, ctx: Context) -> ReceiveResult:
    """Receive a drive. `proven` only when every roll read again is proven and all is as it was handed over.

    Without a handover on the drive there is nothing to compare with: said as a warning, and the rolls are read all the
    same. Raises UsageProblem (a receipt that was misheard, a path that is no drive, no packing list where one
    is named), Refused when the drive cannot be opened, Interrupted, CouldNotFinish when the drive does not answer (no
    call on it is waited for much longer than `settings.stall_seconds`).
    """
    told = read_receipt(request.receipt) if request.receipt is not None else None
    packing = read_packing_list(ctx.io, request.packing_list) if request.packing_list is not None else None
    guard, inside = ctx.guarded()
    return guard.run_or_end(
        lambda: _received(request, inside, told, packing),
        request.drive,
        "the rolls that were read by now have their records; that the drive was received is not recorded",
    )


def _received(request: ReceiveRequest, ctx: Context, told: str | None, packing: PackingList | None) -> ReceiveResult:
    began, io, drives, cancel = time.monotonic(), ctx.io, ctx.drives, ctx.cancel
    root = opened_drive(io, request.drive)
    try:
        volume = drives.volume_of(request.drive)
        look = RollLook(io, drives, cancel)
        found = look.folders(root, request.drive)
        rolls = [look.chain(request.drive, folder) for folder in sorted(found.inner)]
        rolls += look.around(request.drive, found)
        refuse_part_of_a_drive(request.drive, rolls)
        places = places_of(io, root, request.drive, rolls, find_places(io, root, list(found.inner), cancel))
        receiver = _Receiver(ctx, root, request, volume)
        compared = ArrivalLook(io, root, shown(request.drive), volume, ctx.known_keys)
        arrivals = [compared.arrival(place) for place in places]
        with ctx.station as station:
            receiver.known_as = which_drive_if_any(volume, station)  # before the reading makes it known
            reading = Rereading(ctx, request.person)
            for seen in rolls:
                reading.run(seen, found.inner.get(seen.folder, ()))
            look.cards(rolls)
            around = reading.outer(request.drive, found)
            around += [odd for seen in rolls if seen.around is not None for odd in seen.findings]
            receiver.add([*found.findings, *station.findings(), *around])
            for arrival in arrivals:  # into the record of each as well
                arrival.findings += [*found.findings, *around]
            if packing is not None:
                check = ArrivalCheck(ctx)
                receiver.packing = check.run(request.drive, packing, {seen.path: seen.differ for seen in rolls})
                receiver.add(check.findings)
                for arrival in arrivals:  # into the record of each as well
                    arrival.findings += check.findings
        for arrival in arrivals:
            receiver.write(arrival)
    finally:
        with contextlib.suppress(OSError):
            io.close(root)
    return receiver.result(arrivals, rolls, told, began)


class _Receiver:
    def __init__(self, ctx: Context, root: int, request: ReceiveRequest, volume: Volume) -> None:
        self._io = ctx.io
        self._root = root
        self._request = request
        self._volume = volume
        self._signer = ctx.signer
        self._now = ctx.now()
        self._drive = shown(request.drive)
        self._findings: list[Finding] = list(ctx.known_keys.findings)
        self.known_as = ""
        """What this station remembered of the drive when it arrived."""
        self.packing: PackingCheck | None = None
        """How the drive compares with its packing list, where one was given."""

    def add(self, findings: Iterable[Finding]) -> None:
        """Findings that are about no place in particular."""
        self._findings += findings

    # --- after

    def write(self, arrival: Arrival) -> None:
        """Append the `receive` record; a drive that cannot be written to is a note."""
        rolls = list(arrival.place.rolls.values())
        if not rolls and arrival.handover is None:
            return
        if self._volume.read_only or not os.access(self._path(arrival.place), os.W_OK):
            self._findings.append(
                self._say(
                    Kind.READ_ONLY,
                    Severity.NOTE,
                    "",
                    f"{not_writable(self._path(arrival.place), read_only=self._volume.read_only)}: that it was received"
                    " is not written on it",
                    "make it writable and receive it again, if that is to be recorded",
                )
            )
            return
        try:
            with opened_place(self._io, self._root, arrival.place) as handle:
                if not try_lock(self._io, handle):
                    raise OSError("another process is at work on it")
                written = append_record(
                    self._io,
                    handle,
                    self._header(arrival, rolls),
                    signer=self._signer,
                    as_read=arrival.place.chain.digests,
                    medium=MediumAccess(self._io, self._volume.way, self._volume.source),
                )
        except (OSError, UntrustedInput) as problem:
            why = said(problem) if isinstance(problem, OSError) else problem.message
            self._findings.append(
                self._say(
                    Kind.DRIVE_FAILED,
                    Severity.ERROR,
                    "",
                    f"that it was received could not be written on the drive ({why})",
                    "check the room and the cable of the drive, then receive it again",
                )
            )
            return
        arrival.record = written.name
        if written.unsigned is not None:
            self._findings.append(written.unsigned)

    def _header(self, arrival: Arrival, rolls: Sequence[RollSeen]) -> ReceiveHeader:
        person = self._request.person
        totals = totals_of(rolls)
        return ReceiveHeader(
            written_at=self._now,
            by=By(name=person.name, role=person.role),
            station=this_station(),
            production=arrival.place.production,
            handover=self._handover_name(arrival),
            copy_=copy_of(self._volume, self._path(arrival.place), rolls, reread=True),
            rolls=roll_lines(arrival.place.rolls),
            findings=finding_blocks(grouped([*arrival.findings, *_of_rolls(rolls)])),
            verdict="proven" if self._is_proven(arrival) else "not proven",
            totals=totals,
            receipt=arrival.receipt,
        )

    def _handover_name(self, arrival: Arrival) -> RecordName | None:
        if arrival.handover is None:
            return None
        link = next(link for link in arrival.place.chain.links if link.name == arrival.handover[0])
        return RecordName(name=link.name, sequence=link.sequence, sha256=link.sha256)

    def _is_proven(self, arrival: Arrival) -> bool:
        rolls = arrival.place.rolls.values()
        return not _has_error(arrival.findings) and bool(rolls) and all(seen.proven for seen in rolls)

    def result(
        self, arrivals: Sequence[Arrival], rolls: Sequence[RollSeen], told: str | None, began: float
    ) -> ReceiveResult:
        """The verdict over all."""
        told_findings = self._compare_told(arrivals, told)
        if not arrivals or not rolls:
            self._findings.append(
                self._say(
                    Kind.NO_HISTORY,
                    Severity.ERROR,
                    "",
                    f"there is no roll at or below {self._drive}",
                    "name the folder where the drive is mounted",
                )
            )
        found = [
            *told_findings,
            *(finding for arrival in arrivals for finding in arrival.findings),
            *_of_rolls(rolls),
            *self._findings,
        ]
        handed = [arrival for arrival in arrivals if arrival.handover is not None or arrival.place.rolls]
        proven = not _has_error(found) and bool(handed) and all(self._is_proven(arrival) for arrival in handed)
        sames = {arrival.same for arrival in handed}
        return ReceiveResult(
            verdict="proven" if proven else "not proven",
            receipt=handed[0].receipt if len(handed) == 1 else None,
            same=False if False in sames else None if None in sames or not sames else True,
            drive=drive_of(self._request.drive, self._volume, self.known_as),
            compared=[self._out(arrival) for arrival in handed],
            packing=self.packing,
            findings=grouped(found),
            seconds=round(time.monotonic() - began, 3),
            status=ExitStatus.NOT_FINISHED
            if is_lost(found)
            else ExitStatus.DONE
            if proven
            else ExitStatus.ANSWER_IS_NO,
        )

    def _compare_told(self, arrivals: Iterable[Arrival], told: str | None) -> list[Finding]:
        receipts = [arrival.receipt for arrival in arrivals]
        if told is None or told in receipts:
            return []
        return [
            self._say(
                Kind.OTHER_RECEIPT,
                Severity.ERROR,
                "",
                f"the receipt that was said is {told}, and this drive's is {', '.join(receipts) or 'none'}",
                "change nothing on the drive; let the sender read it out again, and keep every other copy",
            )
        ]

    def _out(self, arrival: Arrival) -> ReceiptCompared:
        header = arrival.handover[1] if arrival.handover is not None else None
        by = f"{header.by.name or header.by.role or 'somebody'} at {header.station.host}" if header is not None else ""
        rolls = [
            custody_roll(folder, seen).model_copy(update={"compared": arrival.compared.get(folder)})
            for folder, seen in sorted(arrival.place.rolls.items())
        ]
        rolls += [
            CustodyRoll(
                roll=line.roll,
                folder=shown(folder),
                state="missing",
                files=line.files,
                bytes=line.bytes,
                record=None,
                why="it was handed over and is not on this drive",
                compared="missing",
            )
            for folder, line in sorted(arrival.missing.items())
        ]
        return ReceiptCompared(
            path=shown(self._path(arrival.place)),
            production=arrival.place.production,
            handover=arrival.handover[0] if arrival.handover is not None else None,
            handed_over_at=header.written_at.isoformat() if header is not None else None,
            handed_over_by=inert(by),
            to=inert(header.to) if header is not None else "",
            signature=signature_out(arrival.signature) if arrival.signature is not None else None,
            receipt_then=inert(header.receipt)[:60] if header is not None else None,
            receipt=arrival.receipt,
            same=arrival.same,
            record=arrival.record,
            rolls=rolls,
        )

    def _path(self, place: Place) -> bytes:
        return os.path.join(self._request.drive, place.folder) if place.folder else self._request.drive

    def _say(self, kind: Kind, severity: Severity, path: str, detail: str, remedy: str) -> Finding:
        return Finding(kind, severity, path, detail, self._drive, remedy)


def signature_out(signature: Signature) -> SignatureOut:
    """A signature as results have it."""
    return SignatureOut(
        state=signature.state,
        fingerprint=signature.fingerprint,
        name=signature.name,
        known_since=signature.known.since if signature.known is not None else "",
        detail=signature.detail,
    )


def _of_rolls(rolls: Iterable[RollSeen]) -> list[Finding]:
    return [finding for seen in rolls for finding in seen.findings]


def _has_error(findings: Iterable[Finding]) -> bool:
    return any(finding.severity is Severity.ERROR for finding in findings)
