"""The copying of one card: both sides of it as the engine takes them, and what is noted on the way."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rollproof.copying.drive_side import DriveSide
from rollproof.copying.engine import CardSide, CopyOutcome, Offloading
from rollproof.copying.writer import WriteWays
from rollproof.models.events import Emit
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.requests import Cancel
from rollproof.models.results import CopyState
from rollproof.proof.board import ProofBoard
from rollproof.reading.settings import Settings
from rollproof.records.models import PaceBlock
from rollproof.storage.io import Io
from rollproof.storage.medium import MAY_BE_INSIDE_BYTES, MediumAccess
from rollproof.storage.watch import CallWatch, watched
from rollproof.workflows.offload.card import CardAtWork
from rollproof.workflows.offload.clip_check import CardLook
from rollproof.workflows.offload.evidence import EvidenceWriter
from rollproof.workflows.offload.preflight import Preflight
from rollproof.workflows.offload.speed import SpeedNotes
from rollproof.workflows.offload.target import DriveAtWork, OffloadDriveWork

_LOCAL_JOURNALLED = frozenset(("ext4", "xfs", "btrfs"))
"""File systems where preallocation is real and where syncfs reports errors to a handle opened before."""

SourceFindings = Callable[[], Sequence[Finding]]
States = Callable[[str], CopyState]
Pace = Callable[[str], tuple[PaceBlock, ...]]
WriteEvidence = Callable[[DriveAtWork, CopyState], str]


def copy_card(
    io: Io,
    card: CardAtWork,
    checked: Preflight,
    board: ProofBoard,
    look: CardLook | None,
    *,
    settings: Settings,
    cancel: Cancel,
    emit: Emit,
    passes: int,
    same_time: Callable[[int, int], bool],
    settle: Callable[[CardAtWork, ProofBoard, Cancel], Sequence[Finding]],
    evidence: Callable[[Io, CardAtWork, ProofBoard, Preflight, SourceFindings, States, Pace], EvidenceWriter],
    drive_work: Callable[
        [Io, DriveAtWork, CardAtWork, ProofBoard, WriteEvidence, Callable[[], bool]], OffloadDriveWork
    ],
) -> CopyOutcome:
    """Copy and prove, on all drives. `settle` looks at the card after its last read, `evidence` makes what writes the
    papers, and `drive_work` what is done on one drive before and after the copying itself."""
    settled: list[Finding] = []
    states: dict[str, CopyState] = {}
    speeds = SpeedNotes(emit)

    def settle_card(cancel: Cancel) -> Sequence[Finding]:
        if look is not None:
            look.catch_up(cancel)
        found = settle(card, board, cancel)
        settled.extend(found)
        return found

    calls = CallWatch()
    watched_io = watched(io, calls)
    papers = evidence(
        watched_io,
        card,
        board,
        checked,
        lambda: [*board.source_findings, *settled],
        lambda drive: states.get(drive, "incomplete"),
        speeds.of,
    )

    def card_seen_whole() -> bool:
        return not any(_hides_a_part(finding) for finding in (*card.snapshot.findings, *settled))

    def write_evidence(at: DriveAtWork, state: CopyState) -> str:
        states[at.drive] = state
        return papers(at, state)

    sides = [
        _drive_side(io, at, drive_work(watched_io, at, card, board, write_evidence, card_seen_whole), calls, settings)
        for at in checked.drives
    ]
    return Offloading(
        io,
        card.roll,
        CardSide(
            card.root,
            card.snapshot,
            MediumAccess(io, card.volume.way, card.volume.source, at_once=settings.files_on(card.volume)),
            passes,
            settle_card,
            read_depth=settings.reads_on(card.volume.device, settings.read_depth),
            same_time=same_time,
            words=board.words,
            zeros=look.zeros if look is not None else None,
        ),
        sides,
        board,
        settings=settings,
        cancel=cancel,
        emit=speeds,
    ).run()


def _hides_a_part(finding: Finding) -> bool:
    """Whether there is more on the card than was listed, or may be: a folder that could not be read, a name about
    which nothing could be learnt, a change seen at the last look. A link and a special file were seen: they are
    nothing that could be copied."""
    return finding.severity is Severity.ERROR and finding.kind not in (Kind.LINK, Kind.SPECIAL_FILE)


def _drive_side(io: Io, at: DriveAtWork, work: OffloadDriveWork, calls: CallWatch, settings: Settings) -> DriveSide:
    journalled = at.volume.file_system in _LOCAL_JOURNALLED
    return DriveSide(
        at.drive,
        at.plan.actions,
        WriteWays(
            direct=True,
            allocate=journalled,
            volume_flush=journalled or at.volume.file_system == "tmpfs",
            flushes_at_once=settings.flushes_on(at.volume),
            own_blocks_up_to=MAY_BE_INSIDE_BYTES.get(at.volume.way, 0) if at.volume.file_system == "btrfs" else 0,
            limits=at.volume.limits,
        ),
        MediumAccess(io, at.volume.way, at.volume.source, at_once=settings.files_on(at.volume)),
        work,
        read_depth=settings.reads_on(at.volume.device, settings.pass_depth),
        limits=at.volume.limits,
        rotational=bool(at.volume.device.rotational) and at.volume.device.kind == "disk",
        calls=calls,
    )
