"""One roll from its source to its verdict."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Iterator, Sequence
from typing import Protocol

from rollproof.copies.medium_seen import slept_with_it
from rollproof.copies.together import remember_attached
from rollproof.hashing import proof_algorithm
from rollproof.models.errors import Refused
from rollproof.models.events import FindingRaised
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.results import RollResult
from rollproof.proof.board import ProofBoard
from rollproof.records.models import SourceKind
from rollproof.station.context import Context, local_now
from rollproof.storage.give_back import give_back_memory
from rollproof.storage.io import Io
from rollproof.workflows.offload.answer import with_answer
from rollproof.workflows.offload.begun import begin_copies, end_copies
from rollproof.workflows.offload.clip_check import CardLook
from rollproof.workflows.offload.copying import EvidenceNotes, copy_roll
from rollproof.workflows.offload.evidence import EvidenceWriter
from rollproof.workflows.offload.known_card import known_card
from rollproof.workflows.offload.ledger_update import remember_card
from rollproof.workflows.offload.location import locate, remember_locations
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.preflight import Preflight, preflight
from rollproof.workflows.offload.readings import CopyReadings
from rollproof.workflows.offload.recorded_remember import nothing_to_do, remember_recorded
from rollproof.workflows.offload.recorded_source import RecordedSource
from rollproof.workflows.offload.result import planned_roll, refused_roll, roll_result
from rollproof.workflows.offload.run import Laps, RollRun
from rollproof.workflows.offload.source import Destinations, Source
from rollproof.workflows.offload.start import forbids, planned, power_note
from rollproof.workflows.offload.unplugging import begin_roll

_MANY_FILES = 10_000
"""From so many on, memory that is no longer needed is worth looking for."""


class Opening(Protocol):
    """A source that is about to be opened."""

    @property
    def path(self) -> bytes:
        """Where it is."""
        ...

    @property
    def kind(self) -> SourceKind:
        """Whether it is a card or a copy."""
        ...

    def name(self, order: Order) -> str:
        """What it is called while it cannot be opened."""
        ...

    def open(self, order: Order, ctx: Context) -> Source:
        """Open and list it. Raises Refused, also when it does not answer, and Interrupted."""
        ...


def offload_roll(opening: Opening, order: Order, ctx: Context) -> RollResult:
    """Everything for one roll; refusals come back as a result. Raises Interrupted before the copying has begun."""
    laps = Laps()
    try:
        source = opening.open(order, ctx)
    except Refused as refusal:
        return refused_roll(shown(opening.path), opening.name(order), refusal.findings, order, kind=opening.kind)
    hangs: list[bool] = []
    with _checking_clips(source, order, ctx) as look:
        result = _with_source(source, look, order, ctx, laps, hangs)
    is_card, path = source.kind == "card", source.path
    del source, look  # the answer makes a list of the card's files of its own
    if not is_card:
        return result
    if result.files >= _MANY_FILES:
        give_back_memory()  # tables of the copying would lie beside those of the answer
    return with_answer(result, path, order.request, ctx, hangs=any(hangs))


@contextlib.contextmanager
def _checking_clips(source: Source, order: Order, ctx: Context) -> Iterator[CardLook | None]:
    """The look into the clips, not begun yet. At the end the source is closed, unless a read that hangs uses it."""
    look: CardLook | None = None
    if order.checks_clips:
        look = CardLook(ctx.io, source, ctx.emit, stall_seconds=ctx.settings.stall_seconds)
    try:
        yield look
    finally:
        if look is not None:
            look.close()
        if look is None or not look.hangs:
            with contextlib.suppress(OSError):
                ctx.io.close(source.root)


def _with_source(
    source: Source, look: CardLook | None, order: Order, ctx: Context, laps: Laps, hangs: list[bool]
) -> RollResult:
    laps.end("scan")
    algorithms = source.algorithms(order.request.hashes or order.hashes)
    destinations = source.destinations(order, ctx)
    readings = CopyReadings(source, ctx.station)
    readings.begin_where_bad()
    targets = preflight(source, destinations.wanted, algorithms, order, ctx)
    try:
        computer, located = locate(targets.drives, order, ctx)
        laps.end("preflight")
        said_before = (order.findings, destinations.findings, targets.findings, located, power_note())
        findings = [*source.findings, *itertools.chain.from_iterable(said_before), *known_card(source, ctx)]
        # a dry run tells how long it would take: whoever starts the offload sees it soon enough
        ctx.emit(planned(source, targets, ctx.station.ledger_if_any if order.request.dry_run else None))
        for finding in findings:
            ctx.emit(FindingRaised(source.roll, finding))
        if any(forbids(finding, source) for finding in findings):
            return refused_roll(shown(source.path), source.roll, findings, order, source=source)
        if order.request.dry_run:
            return planned_roll(source, findings, order, targets.drives)
        if isinstance(source, RecordedSource) and source.all_proven_by(targets.drives):
            return nothing_to_do(source, targets, findings, order, ctx, laps)
        if computer is not None:
            remember_locations(computer, targets.drives, order.production, ctx.station, ctx.now())
        begin_roll(ctx.emit, targets.drives)
        begun = begin_copies(source, targets.drives, order, destinations.day, ctx)
        run = _copied(source, look, order, ctx, targets, destinations, algorithms, readings)
        laps.end("copy and prove")
        hangs.append(run.outcome.hangs)
        end_copies(begun, run, ctx)
        return _told(run, readings, findings, ctx, laps)
    finally:
        targets.close(ctx.io)


def _copied(
    source: Source,
    look: CardLook | None,
    order: Order,
    ctx: Context,
    targets: Preflight,
    destinations: Destinations,
    algorithms: Sequence[str],
    readings: CopyReadings,
) -> RollRun:
    """Copy, read back and write the evidence, drive by drive."""
    readings.begin(targets.drives)
    if len(source.snapshot.files) >= _MANY_FILES:
        give_back_memory()  # what the look at the drives has left behind
    board = ProofBoard(
        source.snapshot.files,
        [at.drive for at in targets.drives],
        algorithms,
        proof_algorithm(algorithms),
        accepted=frozenset(order.policy.accepted_evidence),
        rule=source.rule,
        tell=readings.tell,
    )
    if look is not None:
        look.begin(ctx.cancel)
    started_at = local_now()
    # from now on sleeps of the computer count: see `proof.sleep`
    ctx.station.tell(lambda ledger: slept_with_it(ledger, ctx.drives, source.volume, started_at))
    day, unit = source.day_and_unit(order, destinations.day)

    def evidence(io: Io, notes: EvidenceNotes) -> EvidenceWriter:
        drives = targets.drives
        return EvidenceWriter(
            io,
            source,
            board,
            drives,
            order,
            day,
            unit,
            started_at,
            notes.source_findings,
            notes.state,
            look,
            notes.pace,
        )

    outcome = copy_roll(source, targets, board, look, evidence, readings, ctx)
    return RollRun(source, order, targets, board, outcome, look, day, unit, started_at)


def _told(run: RollRun, readings: CopyReadings, findings: Sequence[Finding], ctx: Context, laps: Laps) -> RollResult:
    """Tell the ledger, then the verdict."""
    about_clips: list[Finding] = []
    if run.look is not None:
        run.look.settle()
        about_clips = run.look.findings()
    told = [*findings, *_ledger_told(run, readings, [*findings, *about_clips], ctx), *readings.trouble()]
    if run.outcome.hangs:
        # a lane that hangs may still use its handles: never close them, their numbers would be used again
        for at in run.targets.drives:
            at.handle = at.base_handle = -1
    return roll_result(run, told, laps.all_with(run.outcome.seconds), about_clips=about_clips)


def _ledger_told(run: RollRun, readings: CopyReadings, findings: Sequence[Finding], ctx: Context) -> list[Finding]:
    """The ledger is an index: whatever goes wrong with it is a warning, unless bad news is lost."""
    readings.settle_proven(run, run.order.policy.accepted_evidence)
    if run.outcome.interrupted:
        return []
    told: list[Finding] = []
    if isinstance(run.source, RecordedSource):
        told = remember_recorded(run, run.source, readings, ctx)
    else:
        ctx.station.tell(lambda ledger: remember_card(ledger, run, findings, ctx))
    readings.finish_others(run)
    if not run.outcome.hangs:
        ctx.station.tell(lambda ledger: remember_attached(ledger, ctx.drives, ctx.now()))
    return [*told, *ctx.station.findings()]
