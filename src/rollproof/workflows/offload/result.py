"""From what the engine left behind to the verdict: one result per card, one over all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rollproof.copying.engine import CopyOutcome, LaneOutcome
from rollproof.drives.cached_pages import lacks_right
from rollproof.models.counting import count_of
from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding, Kind, Severity, warning
from rollproof.models.grouped import grouped
from rollproof.models.names import shown
from rollproof.models.results import DestinationResult, OffloadResult, RollResult
from rollproof.models.volumes import Evidence
from rollproof.proof.board import CopyState, ProofBoard
from rollproof.proof.devices import count_devices
from rollproof.records.models import SourceKind
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.run import RollRun
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork


def refused_roll(
    path: str,
    roll: str,
    findings: Sequence[Finding],
    order: Order,
    *,
    source: Source | None = None,
    kind: SourceKind = "card",
) -> RollResult:
    """The result for a roll that was refused. `source` where it could be listed, `kind` where it could not."""
    return RollResult(
        roll=roll,
        source_kind=source.kind if source else kind,
        card_path=path,
        verdict="refused",
        enough_copies=False,
        copies_required=order.policy.copies_required,
        copies_counted=0,
        files=len(source.snapshot.files) if source else 0,
        bytes=source.snapshot.size_bytes if source else 0,
        clips=len(source.clips) if source else 0,
        source_reads=0,
        source_evidence=[],
        destinations=[],
        findings=grouped(findings),
        seconds={},
        status=ExitStatus.REFUSED,
    )


def planned_roll(
    source: Source, findings: Sequence[Finding], order: Order, drives: Sequence[DriveAtWork]
) -> RollResult:
    """The result of a dry run: what would be copied where."""
    short = _planned_too_few(source, order, drives)
    refused = refused_roll(shown(source.path), source.roll, [*findings, *short], order, source=source)
    return refused.model_copy(
        update={
            "verdict": "planned",
            "status": ExitStatus.DONE,
            "destinations": [_planned_destination(at) for at in drives],
        }
    )


def _planned_too_few(source: Source, order: Order, drives: Sequence[DriveAtWork]) -> list[Finding]:
    """The warning that these drives, all proven, would not be the copies that are asked for."""
    counted, required = _counted(drives, source), order.policy.copies_required
    if counted >= required:
        return []
    return [
        warning(
            Kind.TOO_FEW_COPIES,
            f"{count_of(counted, 'copy', 'copies')} would count once all is proven, {required} are required"
            " (a device counts once, and the card's own never)",
            remedy="add a drive on a device of its own with --to; proven copies that were made before count as well",
        )
    ]


def _planned_destination(at: DriveAtWork) -> DestinationResult:
    return DestinationResult(
        path=shown(at.roll_folder),
        drive=at.drive,
        role=at.role,
        state="incomplete",
        files_proven=0,
        files_copied=0,
        files_total=len(at.plan.actions),
        readback=None,
        findings=[],
        device=at.volume.device.label,
    )


def roll_result(
    run: RollRun, findings: Sequence[Finding], seconds: dict[str, float], *, about_clips: Sequence[Finding] = ()
) -> RollResult:
    """The result for a roll that was worked on. `about_clips` is said and changes no verdict: the copies of a damaged
    clip are as good as the card."""
    card, drives, board, outcome, order = run.source, run.targets.drives, run.board, run.outcome, run.order
    single_read = order.request.single_read
    lanes = {lane.drive: lane for lane in outcome.lanes}
    results = [_destination(at, lanes[at.drive], board, interrupted=outcome.interrupted) for at in drives]
    told = [*findings, *board.source_findings, *outcome.source_findings]
    if outcome.source_failure is not None:
        told.append(outcome.source_failure)
    if card.kind == "card":
        told += _about_evidence(board, outcome, card, single_read=single_read)
    counted = _counted([at for at, result in zip(drives, results, strict=True) if result.state == "proven"], card)
    if counted < order.policy.copies_required:
        states = [result.state for result in results]
        told.append(_too_few(counted, order.policy.copies_required, states, of_card=card.kind == "card"))
    proven = (
        not outcome.interrupted
        and all(result.state == "proven" for result in results)
        and not any(finding.severity is Severity.ERROR for finding in told)
        and not any(finding.severity is Severity.ERROR for at in drives for finding in at.noted)
    )
    return RollResult(
        roll=card.roll,
        source_kind=card.kind,
        card_path=shown(card.path),
        verdict="proven" if proven else "not proven",
        enough_copies=counted >= order.policy.copies_required,
        copies_required=order.policy.copies_required,
        copies_counted=counted,
        files=len(card.snapshot.files),
        bytes=card.snapshot.size_bytes,
        clips=len(card.clips),
        source_reads=outcome.source_passes_done,
        source_evidence=[
            evidence.value
            for evidence in (board.source_evidence(0), board.source_evidence(1))[: outcome.source_passes_done]
            if evidence is not None
        ],
        destinations=results,
        findings=grouped([*about_clips, *told]),
        seconds=seconds,
        interrupted=outcome.interrupted,
        status=_status(outcome, proven=proven),
    )


def done_result(
    card: Source,
    drives: Sequence[DriveAtWork],
    findings: Sequence[Finding],
    order: Order,
    seconds: dict[str, float],
) -> RollResult:
    """The result where records on every drive prove everything already, and nothing was read."""
    counted = _counted(drives, card)
    told = list(findings)
    if counted < order.policy.copies_required:
        told.append(_too_few(counted, order.policy.copies_required, ["proven"] * len(drives), of_card=False))
    proven = not any(finding.severity is Severity.ERROR for finding in told)
    return RollResult(
        roll=card.roll,
        source_kind=card.kind,
        card_path=shown(card.path),
        verdict="proven" if proven else "not proven",
        enough_copies=counted >= order.policy.copies_required,
        copies_required=order.policy.copies_required,
        copies_counted=counted,
        files=len(card.snapshot.files),
        bytes=card.snapshot.size_bytes,
        clips=len(card.clips),
        source_reads=0,
        source_evidence=[],
        destinations=[
            DestinationResult(
                path=shown(at.roll_folder),
                drive=at.drive,
                role=at.role,
                state="proven",
                files_proven=len(at.plan.expected),
                files_copied=0,
                files_total=len(at.plan.actions),
                readback=at.proven_readback.value if at.proven_readback is not None else None,
                findings=[],
                device=at.volume.device.label,
                record=at.proven_by,
            )
            for at in drives
        ],
        findings=grouped(told),
        seconds=seconds,
        status=ExitStatus.DONE if proven else ExitStatus.ANSWER_IS_NO,
    )


def _status(outcome: CopyOutcome, *, proven: bool) -> ExitStatus:
    if outcome.interrupted:
        return ExitStatus.INTERRUPTED
    if outcome.source_failure is not None or any(lane.failure is not None for lane in outcome.lanes):
        return ExitStatus.NOT_FINISHED
    return ExitStatus.DONE if proven else ExitStatus.ANSWER_IS_NO


def _destination(at: DriveAtWork, lane: LaneOutcome, board: ProofBoard, *, interrupted: bool) -> DestinationResult:
    # proven is said only where the evidence lies on the drive
    sealed = at.record_name is not None and lane.failure is None and lane.state in ("proven", "copied", "incomplete")
    if sealed:
        proven = board.count_proven(at.drive)
    else:  # what records on the drive prove, unless the card has something else now
        proven = sum(board.copy_state(at.drive, number) is not CopyState.DIFFERS for number in at.plan.expected)
    copied = board.count_copied(at.drive)
    findings = [*board.copy_findings(at.drive), *(replace(finding, drive=at.drive) for finding in at.noted)]
    findings.extend(lane.notes)
    if lane.failure is not None:
        findings.append(lane.failure)
    state = "failed" if lane.failure is not None else lane.state if sealed else "incomplete"
    readback = board.readback_evidence(at.drive) or at.proven_readback
    if state == "copied" and readback is Evidence.CACHE:
        findings.append(
            warning(
                Kind.READBACK_FROM_CACHE,
                "the copy was read back, but a cache may have answered instead of the drive",
                drive=at.drive,
                remedy="unplug the drive, plug it in again, then verify it",
            )
        )
    return DestinationResult.model_validate(
        {
            "path": shown(at.roll_folder),
            "drive": at.drive,
            "role": at.role,
            "state": state,
            "files_proven": proven,
            "files_copied": max(copied - proven, 0),
            "files_total": len(at.plan.actions),
            "readback": readback.value if readback is not None else None,
            "findings": grouped(findings),
            "device": at.volume.device.label,
            "record": at.record_name,
        }
    )


def _about_evidence(board: ProofBoard, outcome: CopyOutcome, card: Source, *, single_read: bool) -> list[Finding]:
    passes = [board.source_evidence(number) for number in range(outcome.source_passes_done)]
    if single_read:
        return [
            warning(
                Kind.SINGLE_READ,
                "the card was read once only: the copies are copied, not proven",
                remedy="run the same command again without --single-read while the card is there",
            )
        ]
    if any(evidence is not None and evidence is not Evidence.MEDIUM for evidence in passes):
        lacks = lacks_right(card.volume)
        first = "install the rule" if lacks else "put the card into a reader that this computer reads directly"
        return [
            warning(
                Kind.SOURCE_FROM_CACHE,
                "a cache may have answered for the card when it was read: two reads of the medium itself are not shown",
                remedy=f"{first}, then {'plug the card in again and ' if lacks else ''}run the same command again",
            )
        ]
    return []


def _counted(drives: Sequence[DriveAtWork], card: Source) -> int:
    """How many devices hold a proven copy now. A recorded copy that is itself proven is one of them; a card never."""
    source = card.volume.device
    devices = [at.volume.device for at in drives]
    return count_devices([source, *devices]) if card.counts else count_devices(devices, card=source)


def _too_few(counted: int, required: int, states: Sequence[str], *, of_card: bool) -> Finding:
    several = sum(state == "proven" for state in states)
    detail = f"{counted} proven {'copy counts' if counted == 1 else 'copies count'}, {required} are required"
    if several > counted:
        detail += (
            f" ({several} are proven, but copies count once for each device, those on unknown devices together as one,"
            " and never on the card's own device)"
        )
    return warning(
        Kind.TOO_FEW_COPIES,
        detail,
        remedy=(
            "keep the card; offload it to another drive on a device of its own"
            if of_card
            else "keep every copy of this roll; copy it to another drive on a device of its own"
        ),
    )


def overall(
    rolls: Sequence[RollResult], *, interrupted: bool, findings: Sequence[Finding] = (), not_begun: int = 0
) -> OffloadResult:
    """The verdict over all cards. The worst wins; refusals beside finished cards are 1, alone they are 3.

    `findings` are about no single roll, `not_begun` counts rolls of recorded copies that the end came before.
    """
    statuses = [roll.status for roll in rolls]
    troubled = any(finding.severity is Severity.ERROR for finding in findings)
    if interrupted or ExitStatus.INTERRUPTED in statuses:
        status = ExitStatus.INTERRUPTED
    elif ExitStatus.NOT_FINISHED in statuses:
        status = ExitStatus.NOT_FINISHED
    elif all(status is ExitStatus.REFUSED for status in statuses) and (statuses or troubled):
        status = ExitStatus.REFUSED
    elif ExitStatus.ANSWER_IS_NO in statuses or ExitStatus.REFUSED in statuses or troubled:
        status = ExitStatus.ANSWER_IS_NO
    else:
        status = ExitStatus.DONE
    verdicts = {roll.verdict for roll in rolls}
    told = grouped(findings)
    if status is ExitStatus.REFUSED:
        return OffloadResult(
            verdict="refused",
            rolls=list(rolls),
            status=status,
            findings=[*told, *(finding for roll in rolls for finding in roll.findings)],
            not_begun=not_begun,
        )
    if verdicts == {"planned"}:
        return OffloadResult(verdict="planned", rolls=list(rolls), status=status, findings=told)
    return OffloadResult(
        verdict="proven" if verdicts == {"proven"} and status is ExitStatus.DONE else "not proven",
        rolls=list(rolls),
        status=status,
        findings=told,
        not_begun=not_begun,
    )
