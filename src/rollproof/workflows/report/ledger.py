"""What the station's ledger adds to a report: rolls, their copies as last seen, findings, permits."""

from __future__ import annotations

from collections.abc import Sequence

from rollproof.copies.permits import permits_given, uses_of_ledger
from rollproof.ledger.entries import HistoryLine, KnownCopy, KnownRoll, PaceNote
from rollproof.ledger.ledger import Ledger
from rollproof.models.names import inert, shown
from rollproof.proof.readings import speaks_against_memory
from rollproof.reports.model import CopyOfReport, LookedAtOfReport, PermitOfReport, SpeedOfReport
from rollproof.workflows.report.rolls import (
    CopyFound,
    RollFound,
    RollsFound,
    card_of,
    finding_of_report,
    person_of,
)


def rolls_of_ledger(ledger: Ledger, rolls: RollsFound) -> None:
    """Take in every roll that this station remembers. Raises LedgerProblem."""
    given = permits_given(ledger)
    for known in ledger.rolls():
        found = rolls.add(_roll(ledger, known))
        found.given = {use.at: use for use in given.get(known.id, ())}
        rolls.numbers.update({copy.drive.identity.text: copy.drive.id for copy in ledger.copies_of(known.id)})
    rolls.uses += uses_of_ledger(ledger)


def _roll(ledger: Ledger, known: KnownRoll) -> RollFound:
    offloads = ledger.offloads_of(known.id)
    newest = offloads[0] if offloads else None
    history = ledger.history(known.id)
    first = next((line for line in history if line.what == "offload"), None)
    found = RollFound(
        production=known.production,
        roll=known.name,
        card_key=(newest.card.serial or newest.card.listing_digest) if newest is not None else "",
        offloaded_at=known.first_at,
        offloaded_by=person_of(first.who.name, first.who.role) if first is not None else person_of("", ""),
        day=known.day,
        unit=known.unit,
        camera=known.camera,
        copies_required=known.copies_required,
        files=known.files,
        size_bytes=known.size_bytes,
        clips_count=known.clips,
        first_clip=known.first_clip,
        last_clip=known.last_clip,
        offload_ids=[offload.id for offload in offloads],
        ledger_id=known.id,
    )
    if newest is not None:
        card = newest.card
        found.card = card_of(
            label=card.volume_name,
            serial=card.serial,
            capacity_bytes=card.capacity_bytes,
            file_system=card.file_system,
            reads=[read.value for read in card.reads],
        )
    paces = ledger.paces_of(known.id)
    for copy in ledger.copies_of(known.id):
        pace = paces.get(copy.id, [])
        found.add_copy(_copy(copy, pace))
        for each in pace:
            if each.leg == "read back":
                found.add_speed(_speed(found, copy, each))
    for line in history:
        found.add_person(person_of(line.who.name, line.who.role))
        _line(found, line)
    return found


def _speed(found: RollFound, copy: KnownCopy, pace: PaceNote) -> SpeedOfReport:
    return SpeedOfReport(
        drive=inert(copy.name or copy.drive.drive)[:200],
        roll=inert(found.roll),
        started_at=pace.started_at,
        seconds=pace.seconds,
        bytes=pace.size_bytes,
        stretch_seconds=pace.stretch_seconds,
        stretches=list(pace.stretches),
    )


def _copy(copy: KnownCopy, paces: Sequence[PaceNote]) -> CopyFound:
    written = next((pace for pace in reversed(paces) if pace.leg == "write"), None)
    identity = copy.drive.identity
    gone = copy.gone_at is not None
    unsettled = speaks_against_memory(copy.state, copy.unsettled)
    return CopyFound(
        identity=identity.text,
        device=identity.device,
        copy=CopyOfReport(
            drive=inert(copy.name or copy.drive.drive),
            role=inert(copy.role),
            device=inert(identity.model or identity.volume_label or identity.source),
            serial=inert(identity.serial),
            state="not on its drive any more" if gone else "unproven" if unsettled else copy.state,
            proof=copy.readback.value if copy.readback is not None else None,
            why=inert(unsettled or copy.why),
            state_at=(copy.gone_at or copy.state_at).astimezone(),
            known_from="ledger" if copy.seen_at is not None else "record",
            folder=shown(copy.folder),
            bytes_per_second=written.size_bytes / written.seconds if written is not None else None,
        ),
        capacity_bytes=identity.capacity_bytes,
        on=identity,
        founder=copy.founder,
        seen_at=copy.seen_at,
    )


def _line(found: RollFound, line: HistoryLine) -> None:
    if line.what == "finding":
        kind, _, detail = line.detail.partition(": ")
        found.add_finding(finding_of_report(line.verdict, kind, "", detail, line.drive, line.at))
    elif line.what == "looked":
        by = person_of(line.who.name, line.who.role)
        found.looked_at.append(LookedAtOfReport(at=line.at, by=by, note=inert(line.detail)))
    elif line.what == "permit" and line.verdict in ("given", "withdrawn"):
        found.permits.append(
            PermitOfReport(
                state=line.verdict,
                at=line.at,
                by=person_of(line.who.name, line.who.role),
                detail=f"basis: {inert(line.detail)}",
            )
        )
