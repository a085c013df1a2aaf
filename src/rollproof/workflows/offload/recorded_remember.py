"""What the station's ledger is told of copies of copies: they belong to the roll that its card's offload made known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from rollproof.copies.ledger_import import learn_copy
from rollproof.copies.ledger_update import remember_chain, remember_verify
from rollproof.copies.location import place_on
from rollproof.copies.roll_folder import RollFolder
from rollproof.copying.engine import LaneOutcome
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.results import RollResult
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.preflight import Preflight
from rollproof.workflows.offload.readings import CopyReadings
from rollproof.workflows.offload.recorded_source import RecordedSource
from rollproof.workflows.offload.recorded_verify import SourceVerified, stands_proven, verified_source
from rollproof.workflows.offload.result import done_result
from rollproof.workflows.offload.run import Laps, RollRun
from rollproof.workflows.offload.target import DriveAtWork


def remember_recorded(run: RollRun, copy: RecordedSource, readings: CopyReadings, ctx: Context) -> list[Finding]:
    """The source learns what was seen of it, and the ledger of all copies. Returns what there is to say of both."""
    if run.outcome.hangs:
        return []
    told: list[Finding] = []
    if run.outcome.source_failure is None:
        source = verified_source(ctx.io, copy, run.board, run.started_at, run.order.request.person)
        told += source.findings
        readings.settle_source(clean=source.clean)
        ctx.station.tell(lambda ledger: remember_source(ledger, ctx.io, copy, source, ctx.now()))
        copy.counts = stands_proven(ctx.io, copy)
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    ctx.station.tell(lambda ledger: remember_copies(ledger, ctx.io, run.targets.drives, lanes, ctx.now()))
    return [*told, *ctx.station.findings()]


def nothing_to_do(
    copy: RecordedSource, targets: Preflight, findings: Sequence[Finding], order: Order, ctx: Context, laps: Laps
) -> RollResult:
    """The result where a record on every drive proves everything already."""
    for at in targets.drives:
        at.record_name = at.proven_by
    copy.counts = stands_proven(ctx.io, copy)
    ctx.station.tell(lambda ledger: remember_copies(ledger, ctx.io, targets.drives, {}, ctx.now()))
    seconds = {**laps.seconds, "total": round(sum(laps.seconds.values()), 3)}
    return done_result(copy, targets.drives, [*findings, *ctx.station.findings()], order, seconds)


def remember_copies(
    ledger: Ledger, io: Io, drives: Sequence[DriveAtWork], lanes: Mapping[str, LaneOutcome], now: datetime
) -> None:
    """Remember what became of the copy on every drive, by its own records; bad news of a known one always.

    The drives' handles must still be open. Raises LedgerProblem, UntrustedInput; OSError when a drive fails.
    """
    for at in drives:
        folder = place_on(at.volume, at.roll_folder)
        lane = lanes.get(at.drive)
        failure = lane.failure if lane is not None else None
        if failure is None and at.record_name is not None and at.handle >= 0:
            roll = RollFolder(io, at.handle, at.roll_folder, at.volume, at.drive)
            chain = roll.chain()
            copies = learn_copy(ledger, roll, chain, roll.standing(chain), seen_at=now)
            for copy_id in copies:
                remember_chain(ledger, copy_id, chain)
        elif failure is not None:
            for known in ledger.copies_on(DriveIdentity.of(at.volume)):
                if known.folder == folder:
                    ledger.remember_verify(known.id, state="failed", readback=None, at=now, why=failure.detail)


def remember_source(ledger: Ledger, io: Io, copy: RecordedSource, source: SourceVerified, now: datetime) -> None:
    """Remember what was seen of the source, as after a verify. Raises as `remember_copies`."""
    if source.clean is None or copy.newest is None:
        return
    remember_verify(
        ledger,
        RollFolder(io, copy.root, copy.path, copy.volume, shown(copy.path)),
        clean=source.clean,
        findings=source.told,
        now=now,
    )
