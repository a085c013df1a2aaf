"""The copying of one roll: both sides of it as the engine takes them, and what is noted on the way."""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from rollproof.copying.drive_side import DriveSide
from rollproof.copying.engine import CardSide, CopyOutcome, EngineRun, Offloading
from rollproof.copying.writer import WriteWays
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.requests import Cancel
from rollproof.models.results import CopyState
from rollproof.proof.board import ProofBoard
from rollproof.reading.settings import Settings
from rollproof.records.models import PaceBlock
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.storage.medium import MAY_BE_INSIDE_BYTES, MediumAccess
from rollproof.storage.watch import CallWatch, watched
from rollproof.workflows.offload.clip_check import CardLook
from rollproof.workflows.offload.evidence import EvidenceWriter
from rollproof.workflows.offload.preflight import Preflight
from rollproof.workflows.offload.readings import CopyReadings
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.speed import SpeedNotes
from rollproof.workflows.offload.target import DriveAtWork, OffloadDriveWork

_LOCAL_JOURNALLED = frozenset(("ext4", "xfs", "btrfs"))
"""File systems where preallocation is real and where syncfs reports errors to a handle opened before."""


def copy_roll(
    source: Source,
    checked: Preflight,
    board: ProofBoard,
    look: CardLook | None,
    evidence: Callable[[Io, EvidenceNotes], EvidenceWriter],
    readings: CopyReadings,
    ctx: Context,
) -> CopyOutcome:
    """Copy and prove, on all drives. `evidence` makes what writes the papers, from what is noted on the way; it is
    handed an `Io` whose calls are timed. Raises Interrupted."""
    settings, speeds, notes = ctx.settings, SpeedNotes(ctx.emit), EvidenceNotes(board)
    notes.pace = speeds.of

    def settle(cancel: Cancel) -> Sequence[Finding]:
        if look is not None:
            look.catch_up(cancel)
        found = source.settle(board, replace(ctx, cancel=cancel))
        notes.settled.extend(found)
        return found

    calls = CallWatch()
    watched_io = watched(ctx.io, calls)
    papers = evidence(watched_io, notes)

    def seen_whole() -> bool:
        return not any(_hides_a_part(finding) for finding in (*source.snapshot.findings, *notes.settled))

    def write_evidence(at: DriveAtWork, state: CopyState) -> str:
        notes.states[at.drive] = state
        return papers(at, state)

    sides = [
        replace(
            _drive_side(
                ctx.io, at, OffloadDriveWork(watched_io, at, source, board, write_evidence, seen_whole), calls, settings
            ),
            lost=partial(readings.lost, at.drive),
        )
        for at in checked.drives
    ]
    return Offloading(
        ctx.io,
        source.roll,
        CardSide(
            source.root,
            source.snapshot,
            MediumAccess(ctx.io, source.volume.way, source.volume.source, at_once=settings.files_on(source.volume)),
            source.passes,
            settle,
            read_depth=settings.reads_on(source.volume.device, settings.read_depth),
            same_time=_any_time if source.dates_are_recorded else operator.eq,
            words=board.words,
            zeros=look.zeros if look is not None else None,
            lost=partial(readings.lost, ""),
        ),
        sides,
        board,
        EngineRun(settings, ctx.cancel, speeds),
    ).run()


@dataclass(slots=True)
class EvidenceNotes:
    """What is noted while a roll is copied, for the records beside its copies."""

    board: ProofBoard
    settled: list[Finding] = field(default_factory=list)
    states: dict[str, CopyState] = field(default_factory=dict)
    pace: Callable[[str], tuple[PaceBlock, ...]] = lambda drive: ()

    def source_findings(self) -> list[Finding]:
        """What is known of the source by now."""
        return [*self.board.source_findings, *self.settled]

    def state(self, drive: str) -> CopyState:
        """The state of the copy on a drive by now."""
        return self.states.get(drive, "incomplete")


def _any_time(now: int, then: int) -> bool:
    """`then` was recorded elsewhere; what the source shows tells nothing: its content does."""
    return True


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
