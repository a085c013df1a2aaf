"""Writing a permit: in the ledger as pending, on every attached, writable counted copy, then given; or taken back."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Literal

from rollproof.card.clips import first_and_last
from rollproof.copies.deadline import InTime
from rollproof.copies.location import place_on
from rollproof.ledger.entries import PermitNote, RecordNote
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.trouble import LedgerProblem
from rollproof.models.errors import RollproofError
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.requests import Person
from rollproof.models.volumes import Evidence, MediumWay
from rollproof.records.blocks import copy_block, device_block, source_block, this_station
from rollproof.records.models import (
    Accepted,
    By,
    CopyBlock,
    Counted,
    FindingBlock,
    Header,
    PermitHeader,
    Policy,
    RecordName,
    Totals,
    VolumeBlock,
    WithdrawHeader,
)
from rollproof.records.signing import Signer
from rollproof.records.write import WrittenRecord, append_record
from rollproof.station.keys import station_signer
from rollproof.storage.errors import said
from rollproof.storage.station import station_id
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.may_wipe.card import CardInHand, keep
from rollproof.workflows.may_wipe.copies import CopyInView


def write_permits(
    card: CardInHand,
    counted: Sequence[CopyInView],
    ledger: Ledger,
    *,
    basis: Literal["reread", "listing"],
    person: Person,
    accepted: Sequence[str],
    reason: str,
    notes: Sequence[Finding],
    now: datetime,
    report: Callable[[Finding], None],
    in_time: Callable[[], InTime],
) -> tuple[list[str], Finding | None]:
    """Write the permit everywhere it belongs. Returns the records' paths, or the reason why the answer becomes KEEP;
    then what was written already is withdrawn by a further record. No drive is waited for for ever: one that does not
    answer is such a reason, and whether the permit stands on it nobody knows (it permits nothing)."""
    places = [view for view in counted if view.attached and view.writable]
    if not places:
        return [], keep(
            Kind.PERMIT_NOT_WRITTEN,
            "no counted copy that can be written to is attached, so the permit cannot be kept",
            "attach a proven drive that is not write-protected and ask again",
        )
    written: list[tuple[CopyInView, WrittenRecord]] = []
    signer = station_signer()
    permit_id: int | None = None
    try:
        permit_id = ledger.remember_permit(
            PermitNote(
                written_at=now,
                basis=basis,
                listing_digest=card.snapshot.listing_digest,
                serial=card.volume.serial,
                rolls=tuple(dict.fromkeys(view.roll_id for view in counted)),
                copies=tuple(view.known.id for view in counted),
                person=person,
                reason=reason,
            )
        )
        for view in places:
            header = _permit(card, counted, view, basis, person, accepted, reason, notes)
            record = append_in_time(in_time(), view, header, signer, view.digests)
            written.append((view, record))
            if record.unsigned is not None:
                report(record.unsigned)
                if record.unsigned.severity is Severity.ERROR:
                    raise OSError(errno.EIO, record.unsigned.detail)
            remember_record(ledger, view, record, "permit", person, f"basis {basis}")
        ledger.settle_permit(permit_id, "given")
    except (OSError, RollproofError, ValueError) as error:
        why = said(error) if isinstance(error, OSError) else str(error)
        _withdraw(in_time, ledger, written, person, why, signer)
        if permit_id is not None:
            # where even that fails it stays pending, which permits nothing
            with contextlib.suppress(LedgerProblem, ValueError):
                ledger.settle_permit(permit_id, "withdrawn", reason=why)
        return [], keep(
            Kind.PERMIT_NOT_WRITTEN,
            f"the permit could not be written everywhere ({why}); what was written is withdrawn",
            "see to the room and the state of the drives, and ask again",
        )
    return [f"{shown(view.path)}/rollproof/{record.name}" for view, record in written], None


def _permit(
    card: CardInHand,
    counted: Sequence[CopyInView],
    at: CopyInView,
    basis: Literal["reread", "listing"],
    person: Person,
    accepted: Sequence[str],
    reason: str,
    notes: Sequence[Finding],
) -> Header:
    ends = first_and_last(card.clips)
    here = this_station()
    return PermitHeader(
        by=By(name=person.name, role=person.role),
        station=here,
        production=at.production,
        roll=at.roll,
        basis=basis,
        source=source_block(
            card.volume,
            reads=[Evidence.MEDIUM] if basis == "reread" else [],
            listing_digest=card.snapshot.listing_digest,
        ),
        policy=at.newest.policy if at.newest is not None else Policy(),
        counted=tuple(_counted(view) for view in counted),
        accepted=tuple(Accepted(path=name, reason=reason) for name in accepted),
        findings=tuple(FindingBlock.of(finding) for finding in notes),
        totals=Totals(files=len(card.snapshot.files), bytes=card.snapshot.size_bytes),
        clips_total=len(card.clips),
        first_clip=ends[0].name if ends else "",
        last_clip=ends[1].name if ends else "",
    )


def _counted(view: CopyInView) -> Counted:
    newest = view.chain.newest if view.chain is not None else None
    record = (
        RecordName(name=newest.name, sequence=newest.sequence, sha256=newest.sha256) if newest is not None else None
    )
    return Counted(
        copy_=_copy(view),
        attached=view.attached,
        seen_at=view.seen_at or datetime.now().astimezone(),
        record=record,
    )


def _copy(view: CopyInView) -> CopyBlock:
    if view.volume is not None:
        return copy_block(
            view.volume,
            drive=view.drive,
            role=view.known.role,
            state="proven",
            readback=view.readback,
            folder=place_on(view.volume, view.path),
        )
    return CopyBlock(  # absent: as this station remembers it
        drive=view.drive,
        role=view.known.role,
        state="proven",
        device=device_block(view.device),
        volume=VolumeBlock(),
        file_system="",
        readback=view.readback,
        way=MediumWay.NONE,
        timestamp_granularity_ns=0,
        boot_id=None,
        disk_sequence=None,
        folder=shown(view.path),
    )


def remember_record(
    ledger: Ledger, view: CopyInView, record: WrittenRecord, kind: str, person: Person, detail: str
) -> None:
    """The ledger's memory of the chain grows with it."""
    note = RecordNote(
        name=record.name,
        sequence=record.sequence,
        kind=kind,
        sha256=record.sha256,
        previous_sha256=record.previous_sha256,
        written_at=datetime.now().astimezone(),
        person=person,
        station=station_id(),
        detail=detail,
    )
    ledger.remember_record(view.known.id, note)


def append_in_time(
    in_time: InTime, view: CopyInView, header: Header, signer: Signer, as_read: Mapping[str, str] | None
) -> WrittenRecord:
    """`append_record` on one drive; OSError ETIMEDOUT when it does not answer. The drive is asked nothing more then."""
    handle, io = view.handle, in_time.io
    if handle < 0:
        raise OSError(errno.ETIMEDOUT, "its drive does not answer")
    try:
        return in_time.run(
            lambda: append_record(io, handle, header, signer=signer, as_read=as_read, medium=view.medium(io))
        )
    except NoAnswer:
        view.hangs = True
        raise OSError(errno.ETIMEDOUT, f"the drive {view.drive} does not answer") from None


def _withdraw(
    in_time: Callable[[], InTime],
    ledger: Ledger,
    written: Sequence[tuple[CopyInView, WrittenRecord]],
    person: Person,
    why: str,
    signer: Signer,
) -> None:
    for view, record in written:
        header = WithdrawHeader(
            by=By(name=person.name, role=person.role),
            station=this_station(),
            production=view.production,
            roll=view.roll,
            withdraws=RecordName(name=record.name, sequence=record.sequence, sha256=record.sha256),
            withdraws_kind="permit",
            reason=f"the permit could not be written everywhere: {why}",
        )
        # a permit is never evidence: where this fails too, the answer that was printed is KEEP all the same
        with contextlib.suppress(OSError, RollproofError, ValueError):
            withdrawn = append_in_time(in_time(), view, header, signer, None)
            remember_record(ledger, view, withdrawn, "withdraw", person, why)
