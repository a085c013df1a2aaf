"""What the station's ledger is told at the end of an offload."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from rollproof.copies.ledger_import import camera_of, clip_note, pace_notes, record_note
from rollproof.copies.ledger_update import remember_chain
from rollproof.copies.location import place_on
from rollproof.copying.engine import LaneOutcome
from rollproof.ledger.entries import CardNote, ClipNote, CopyNote, CopyState, DriveIdentity, FileNote, OffloadNote
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding, Severity
from rollproof.models.grouped import grouped
from rollproof.models.volumes import Evidence
from rollproof.proof.board import CopyState as BoardState
from rollproof.proof.board import ProofBoard, SourceState
from rollproof.records.chain import Chain, read_chain
from rollproof.records.founding import founder_of
from rollproof.records.rows import ClipRow
from rollproof.records.standing import Standing, standing
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.workflows.offload.run import RollRun
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork


def remember_card(ledger: Ledger, run: RollRun, findings: Sequence[Finding], ctx: Context) -> None:
    """Remember a run over a card and what became of every copy. The drives' handles must still be open. `findings`
    are those that are not on the board.

    Nothing at all of an interrupted run: it will be run again. Raises LedgerProblem; OSError when a drive fails.
    """
    io, card, drives, board, outcome, now = ctx.io, run.source, run.targets.drives, run.board, run.outcome, ctx.now()
    if outcome.interrupted:
        return
    told = [*findings, *board.source_findings, *(each for at in drives for each in board.copy_findings(at.drive))]
    lanes = {lane.drive: lane for lane in outcome.lanes}
    notes: list[CopyNote] = []
    chains: list[Chain | None] = []
    for at in drives:
        found = _copy_note(io, at, lanes[at.drive], board, now)
        if found is not None:
            notes.append(found[0])
            chains.append(found[1])
    remembered = ledger.remember_offload(
        OffloadNote(
            production=run.order.production_name,
            roll=card.roll,
            card=_card_note(card, board),
            algorithm=board.proof_algorithm,
            written_at=now,
            copies=tuple(notes),
            person=run.order.request.person,
            station=ledger.trust.machine,
            day=run.day,
            unit=run.unit,
            camera=camera_of(card.roll),
            clips=tuple(_clips(card, run.look.rows() if run.look is not None else ())),
            findings=tuple(grouped([found for found in told if found.severity is not Severity.NOTE])),
            copies_required=run.order.policy.copies_required,
        ),
        _files(card, board),
    )
    for copy_id, chain in zip(remembered.copies, chains, strict=True):
        if chain is not None:
            remember_chain(ledger, copy_id, chain)


def _clips(card: Source, rows: Iterable[ClipRow]) -> Iterator[ClipNote]:
    told = {row.name: clip_note(row) for row in rows}
    for clip in card.clips:
        note = told.get(clip.name, ClipNote(clip.name, 0, 0))
        yield replace(note, files=len(clip.files), size_bytes=clip.size_bytes, health=clip.health)


def _card_note(card: Source, board: ProofBoard) -> CardNote:
    volume = card.volume
    passes = (board.source_evidence(0), board.source_evidence(1))
    return CardNote(
        volume_name=volume.label,
        serial=volume.serial,
        capacity_bytes=volume.capacity_bytes,
        file_system=volume.file_system,
        boot_id=volume.boot_id,
        disk_sequence=volume.device.disk_sequence,
        mount_point=volume.mount_point,
        device_number=volume.st_dev,
        device_key=volume.device.key,
        listing_digest=card.snapshot.listing_digest,
        reads=tuple(evidence for evidence in passes if evidence is not None),
    )


def _files(card: Source, board: ProofBoard) -> Iterator[FileNote]:
    """A file whose reads failed or disagreed has no hash that anybody may be found by."""
    good = (SourceState.READ_ONCE, SourceState.READ_TWICE)
    for number, entry in enumerate(card.snapshot.files):
        text = board.hashes(number).get(board.proof_algorithm) if board.source_state(number) in good else None
        yield FileNote(entry.path, entry.size, entry.modified_ns, text)


def _copy_note(
    io: Io, at: DriveAtWork, lane: LaneOutcome, board: ProofBoard, now: datetime
) -> tuple[CopyNote, Chain | None] | None:
    """What is to be remembered of one copy; None when this run has nothing to say about it."""
    chain: Chain | None = None
    state: CopyState = "failed"
    readback: Evidence | None = None
    why = lane.failure.detail if lane.failure is not None else ""
    if lane.failure is None and at.record_name is not None and at.handle >= 0:
        chain = read_chain(io, at.handle, roll=None, drive=at.drive)
        found = standing(io, at.handle, chain, at.volume, folder=place_on(at.volume, at.roll_folder))
        state, readback, why = _stated(lane.state, found), found.readback, " ".join(found.why)
    elif lane.failure is None and not _differs(board, at):
        if at.plan.expected:
            return None  # its earlier record stands, and this run did not come to a word of its own
        state, why = "incomplete", "the offload of this roll was not finished on this drive"
    link = next((link for link in chain.links if link.name == at.record_name), None) if chain is not None else None
    note = CopyNote(
        identity=DriveIdentity.of(at.volume),
        folder=place_on(at.volume, at.roll_folder),
        drive=at.drive,
        role=at.role,
        state=state,
        readback=readback,
        seen_at=now,
        why=why,
        record=record_note(link) if link is not None else None,
        pace=pace_notes(link.header) if link is not None else (),
        founder=founder_of(chain) if chain is not None else None,
    )
    return note, chain


def _stated(lane_state: str, found: Standing) -> CopyState:
    """The weaker of what the run says and what its records say."""
    if lane_state == "incomplete":
        return "incomplete"
    if lane_state == "copied" and found.state == "proven":
        return "copied"
    return found.state


def _differs(board: ProofBoard, at: DriveAtWork) -> bool:
    return any(board.copy_state(at.drive, number) is BoardState.DIFFERS for number in range(len(at.plan.actions)))
