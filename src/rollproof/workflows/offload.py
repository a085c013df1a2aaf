"""Offload cards: copy each to several drives at once, prove every copy, write it down.

What is named may be a recorded copy instead of a card: a roll, a day or a whole production. See `offload_copy`.
"""

from __future__ import annotations

import contextlib
from datetime import datetime

from rollproof.copying.settings import Settings
from rollproof.drives.interface import Drives, system_drives
from rollproof.drives.power import keep_awake
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import Interrupted
from rollproof.models.events import Emit
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.results import OffloadResult, RollResult
from rollproof.storage.io import Io, system_io
from rollproof.workflows.offload_copy import CopyRun
from rollproof.workflows.offload_copy_tree import recorded_tree
from rollproof.workflows.offload_one import OneCard
from rollproof.workflows.offload_result import overall
from rollproof.workflows.offload_wish import read_wish
from rollproof.workflows.station_ledger import StationLedger


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
    settings = settings or Settings()
    wish = read_wish(request, drives, now or datetime.now().astimezone())
    rolls: list[RollResult] = []
    copies = CopyRun(io, drives, request, wish, settings, emit, cancel, look=look)
    with contextlib.nullcontext() if request.dry_run else keep_awake(), StationLedger(ledger) as station:
        for path in request.cards:
            if cancel.is_set():
                break
            try:
                tree = recorded_tree(io, drives, path, cancel)
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
