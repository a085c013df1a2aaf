"""Offload cards: copy each to several drives at once, prove every copy, write it down.

What is named may be a recorded copy instead of a card: a roll, a day or a whole production. See `offload_copy`.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace
from datetime import datetime

from rollproof.copies.recorded_tree import RecordedTree, recorded_tree
from rollproof.drives.interface import Drives
from rollproof.drives.power import keep_awake
from rollproof.drives.system import system_drives
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import Interrupted, Refused
from rollproof.models.events import Emit
from rollproof.models.names import shown
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.results import OffloadResult, RollResult
from rollproof.reading.settings import Settings
from rollproof.station.ledger import StationLedger
from rollproof.storage.io import Io
from rollproof.storage.system import system_io
from rollproof.workflows.offload.card import open_in_time
from rollproof.workflows.offload.card_run import OneCard
from rollproof.workflows.offload.order import read_wish
from rollproof.workflows.offload.recorded_run import CopyRun
from rollproof.workflows.offload.result import overall, refused_roll


def offload(
    request: OffloadRequest,
    *,
    emit: Emit,
    cancel: Cancel,
    io: Io | None = None,
    drives: Drives | None = None,
    ledger: Ledger | None = None,
    settings: Settings | None = None,
    now: datetime | None = None,
    look: bool = True,
) -> OffloadResult:
    """Offload every card of the request, one after the other, each with its own verdict and its card's answer.

    A recorded copy among them is copied roll by roll, each verified against its own history on the way.

    With `look`, the clips are looked into beside the copying: are they whole? What is found changes no verdict. A
    refusal is a result too (verdict `refused`, status 3), as is an interruption (status 130). Raises UsageProblem and
    ProductionFileProblem for what is wrong before any card is looked at.
    """
    io = io or system_io()
    drives = drives or system_drives()
    settings = _as_asked(settings or Settings(), request)
    wish = read_wish(request, drives, now or datetime.now().astimezone())
    rolls: list[RollResult] = []
    copies = CopyRun(io, drives, request, wish, settings, emit, cancel, look=look)
    with contextlib.nullcontext() if request.dry_run else keep_awake(), StationLedger(ledger) as station:
        for path in request.cards:
            if cancel.is_set():
                break
            try:
                try:
                    tree = _recorded(io, drives, path, settings, cancel)
                except Refused as silent:
                    rolls.append(refused_roll(shown(path), request.roll or "", list(silent.findings), wish))
                    continue
                if tree is not None:
                    copies.run(tree, station, rolls)
                    continue
                one = OneCard(io, drives, request, wish, settings, emit, cancel, station, look=look)
                rolls.append(one.run(path))
            except Interrupted:
                if not rolls:
                    raise
                break  # the cards before this one keep their verdicts
    return overall(rolls, interrupted=cancel.is_set(), findings=copies.findings, not_begun=copies.not_begun)


def _as_asked(settings: Settings, request: OffloadRequest) -> Settings:
    block = settings.block_bytes if request.block_mib is None else request.block_mib << 20
    return replace(settings, block_bytes=block, reads=request.reads or settings.reads)


def _recorded(io: Io, drives: Drives, path: bytes, settings: Settings, cancel: Cancel) -> RecordedTree | None:
    """The recorded copies at a path, None for a card. Raises Refused when nothing answers there, Interrupted."""
    return open_in_time(
        io,
        drives,
        path,
        lambda watched_io, watched_drives: recorded_tree(watched_io, watched_drives, path, cancel),
        settings,
        cancel,
    )
