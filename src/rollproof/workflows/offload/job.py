"""Offload cards: copy each to several drives at once, prove every copy, write it down.

What is named may be a recorded copy instead of a card: a roll, a day or a whole production. Each roll goes the way of a
card. Every file is compared with the roll's own history from the read that feeds the drives, so one read is enough, and
a file that has changed is never passed on. Both histories are carried along before anything is appended. The folder
structure is kept. And there is no card to be wiped.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace

from rollproof.copies.recorded_tree import RecordedTree, recorded_tree
from rollproof.drives.power import keep_awake
from rollproof.models.errors import Interrupted, Refused, UsageProblem
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.requests import OffloadRequest
from rollproof.models.results import OffloadResult, RollResult
from rollproof.reading.settings import Settings
from rollproof.station.context import Context
from rollproof.workflows.offload.card_source import CardOpening, open_in_time
from rollproof.workflows.offload.order import Order, read_order
from rollproof.workflows.offload.recorded_outer import has_outer_histories, write_outer_histories
from rollproof.workflows.offload.recorded_source import RecordedOpening
from rollproof.workflows.offload.result import overall, refused_roll
from rollproof.workflows.offload.roll import offload_roll
from rollproof.workflows.offload.ruling import on_the_card
from rollproof.workflows.offload.unplugging import Unplugging


def offload(request: OffloadRequest, ctx: Context, *, look: bool = True) -> OffloadResult:
    """Offload every card of the request, one after the other, each with its own verdict and its card's answer.

    A recorded copy among them is copied roll by roll, each verified against its own history on the way.

    With `look`, the clips are looked into beside the copying: are they whole? What is found changes no verdict. A
    refusal is a result too (verdict `refused`, status 3), as is an interruption (status 130). Raises UsageProblem and
    ProductionFileProblem for what is wrong before any card is looked at.
    """
    unplugging = Unplugging(ctx.emit, ctx.station.at_work)
    ctx = replace(ctx, settings=_as_asked(ctx.settings, request), emit=unplugging)
    order = read_order(request, ctx.drives, ctx.now(), checks_clips=look)
    run = _Run(unplugging)
    with contextlib.nullcontext() if request.dry_run else keep_awake(), ctx.station:
        for number, path in enumerate(request.cards, 1):
            if ctx.cancel.is_set():
                break
            unplugging.next_card(is_last=number == len(request.cards))
            try:
                _offload_path(path, replace(order, named=path), ctx, run)
            except Interrupted:
                if not run.rolls:
                    raise
                break  # the cards before this one keep their verdicts
    return overall(run.rolls, interrupted=ctx.cancel.is_set(), findings=run.findings, not_begun=run.not_begun)


@dataclass(slots=True)
class _Run:
    """What came of it so far. `findings` are about no single roll, `not_begun` counts those that an early end left
    out."""

    unplugging: Unplugging
    rolls: list[RollResult] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    not_begun: int = 0


def _as_asked(settings: Settings, request: OffloadRequest) -> Settings:
    block = settings.block_bytes if request.block_mib is None else request.block_mib << 20
    return replace(settings, block_bytes=block, reads=request.reads or settings.reads)


def _offload_path(path: bytes, order: Order, ctx: Context, run: _Run) -> None:
    """What lies at one of the named paths: a card, or any number of recorded copies."""
    try:
        tree = open_in_time(ctx, path, lambda inside: recorded_tree(inside.io, inside.drives, path, ctx.cancel))
    except Refused as silent:
        run.rolls.append(refused_roll(shown(path), order.request.roll or "", list(silent.findings), order))
        return
    if tree is None and path in order.ruled_from and order.production_path is not None:
        refusal = on_the_card(order.production_path, path)
        run.rolls.append(refused_roll(shown(path), order.request.roll or "", [refusal], order))
    elif tree is None:
        run.rolls.append(offload_roll(CardOpening(path), order, ctx))
    else:
        _offload_tree(tree, order, ctx, run)


def _offload_tree(tree: RecordedTree, order: Order, ctx: Context, run: _Run) -> None:
    """Every roll of a tree, then the histories of the folders around them. Raises UsageProblem, Interrupted."""
    _check_request(tree, order.request)
    run.findings += tree.findings
    rolls, done = tree.rolls, dict[bytes, RollResult]()
    run.unplugging.histories = has_outer_histories(tree)
    for number, found in enumerate(rolls):
        run.unplugging.more_rolls = number + 1 < len(rolls)
        try:
            if ctx.cancel.is_set():
                raise Interrupted("Stopped before the next roll.")
            result = offload_roll(RecordedOpening(tree, found, (number + 1, len(rolls))), order, ctx)
        except Interrupted:
            run.not_begun += len(rolls) - number
            raise
        done[found.folder] = result
        run.rolls.append(result)
    if not order.request.dry_run and not ctx.cancel.is_set():
        run.findings += write_outer_histories(ctx.io, ctx.drives, tree, order.targets, done, order.request.person)


def _check_request(tree: RecordedTree, request: OffloadRequest) -> None:
    if request.roll is not None:
        raise UsageProblem(
            f"{shown(tree.path)} is a recorded copy: its roll keeps the name that its records give it",
            hint="leave out --roll; to copy it beside another roll of this name, name another folder with --to",
        )
    if len(tree.rolls) > 1 and (request.expect_clips, request.expect_last) != (None, None):
        raise UsageProblem(
            f"{shown(tree.path)} holds {len(tree.rolls):,} rolls: what a camera report says is of one",
            hint="name one roll, or leave out --expect-clips and --expect-last",
        )
