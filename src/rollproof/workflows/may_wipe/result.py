"""The answer for a card as a result, with every copy that was looked at."""

from __future__ import annotations

import time
from collections.abc import Sequence

from rollproof.card.clips import first_and_last
from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding
from rollproof.models.grouped import grouped
from rollproof.models.names import shown
from rollproof.models.results import MayWipeResult, WipeCopy, WipeRoll
from rollproof.workflows.may_wipe.card import CardInHand
from rollproof.workflows.may_wipe.copies import CopyInView


def wipe_result(
    card: CardInHand | None,
    reasons: Sequence[Finding],
    notes: Sequence[Finding],
    *,
    basis: str | None,
    rolls: list[WipeRoll],
    copies: Sequence[CopyInView],
    used: Sequence[CopyInView],
    permits: list[str],
    began: float,
    rules_from: str = "",
) -> MayWipeResult:
    """MAY WIPE where there is no reason against it, else KEEP; `used` are the copies that count."""
    ends = first_and_last(card.clips) if card is not None else None
    against = grouped(reasons)
    wipe = not against
    counted = {id(view) for view in used}
    return MayWipeResult(
        answer="MAY WIPE" if wipe else "KEEP",
        basis="reread" if basis == "reread" else "listing" if basis == "listing" else None,
        reasons=[f"{found.detail} — {found.remedy}" if found.remedy else found.detail for found in against],
        rolls=rolls,
        copies=[_copy(view, counted=id(view) in counted) for view in copies],
        findings=[*against, *grouped(notes)],
        label=card.volume.label if card is not None else "",
        capacity_bytes=card.volume.capacity_bytes if card is not None else 0,
        files=len(card.snapshot.files) if card is not None else 0,
        bytes=card.snapshot.size_bytes if card is not None else 0,
        clips=len(card.clips) if card is not None else 0,
        first_clip=ends[0].name if ends else "",
        last_clip=ends[1].name if ends else "",
        permits=permits,
        rules_from=rules_from,
        seconds=round(time.monotonic() - began, 3),
        status=ExitStatus.DONE if wipe else ExitStatus.ANSWER_IS_NO,
    )


def _copy(view: CopyInView, *, counted: bool) -> WipeCopy:
    verdict = view.verdict
    why = verdict.why
    if not counted and verdict.counts:
        why = "not needed: another copy on the same device counts" if view.rows else "it holds nothing of this card"
    return WipeCopy(
        path=shown(view.path),
        drive=view.drive,
        role=view.known.role,
        device=view.device.label or view.device.model,
        roll=view.roll,
        attached=view.attached,
        counted=counted,
        readback=view.readback.value if view.readback is not None else None,
        why=why,
        seen_at=view.seen_at.isoformat() if view.seen_at is not None else None,
        drive_failed=view.facts.drive_failed,
    )
