"""The card's answer at the end of an offload: from `may_wipe` itself, without a permit and without reading the card.

Nobody has asked yet whether the card may be wiped, so nothing is written: the permit is for `rollproof may-wipe`,
which judges the card again at the moment somebody is about to wipe it.
"""

from __future__ import annotations

from dataclasses import replace

from rollproof.models.errors import ExitStatus, RollproofError
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.requests import Cancel, MayWipeRequest, OffloadRequest
from rollproof.models.results import CardAnswer, RollResult
from rollproof.station.context import Context, local_now
from rollproof.station.ledger import StationLedger
from rollproof.workflows.may_wipe import may_wipe


def with_answer(result: RollResult, card: bytes, request: OffloadRequest, ctx: Context, *, hangs: bool) -> RollResult:
    """The result with the card's answer. Whatever goes wrong on the way is KEEP, with its reason.

    To be called when all folders and locks of the offload are let go of. `hangs` is whether a drive does not answer:
    then nothing is asked that would wait for it.
    """
    if result.verdict in ("refused", "planned"):
        return result
    answer, failed = _answer(result, card, request, ctx, hangs=hangs)
    return _made_up_for(_without(result, failed), answer).model_copy(update={"card": answer})


def _made_up_for(result: RollResult, answer: CardAnswer) -> RollResult:
    """The result when this offload made too few copies and those made before it count as well."""
    if answer.answer != "MAY WIPE" or result.enough_copies:
        return result
    findings = [
        replace(each, remedy="nothing, for this card: the copies made before count as well")
        if each.kind == Kind.TOO_FEW_COPIES
        else each
        for each in result.findings
    ]
    return result.model_copy(update={"findings": findings})


def _without(result: RollResult, failed: dict[str, str]) -> RollResult:
    """The result when drives (by roll folder, with the reason) failed while the card's answer was sought: the station
    will count them no more until they are verified, so this offload does not call them proven either."""
    hit = {at.path for at in result.destinations if at.state == "proven" and at.path in failed}
    if not hit:
        return result
    destinations = [
        at.model_copy(update={"state": "failed", "findings": [*at.findings, _failed_late(at.drive, failed[at.path])]})
        if at.path in hit
        else at
        for at in result.destinations
    ]
    left = sum(at.state == "proven" for at in destinations)
    counted = min(result.copies_counted, left)
    return result.model_copy(
        update={
            "destinations": destinations,
            "verdict": "not proven",
            "copies_counted": counted,
            "enough_copies": counted >= result.copies_required,
            "status": ExitStatus.NOT_FINISHED,
        }
    )


def _failed_late(drive: str, why: str) -> Finding:
    return error(
        Kind.DRIVE_FAILED,
        f"the drive took the copy and its record, and failed right after: {why}",
        drive=drive,
        remedy="check its cable, then verify it; until then its copy does not count",
    )


def _answer(
    result: RollResult, card: bytes, request: OffloadRequest, ctx: Context, *, hangs: bool
) -> tuple[CardAnswer, dict[str, str]]:
    """The card's answer, and what was wrong with drives that failed while it was sought."""
    if result.interrupted:
        return _keep("the offload was interrupted; run the same command again")
    if hangs:
        return _keep("a device does not answer; see to it, then run the same command again")
    station = ctx.station
    ledger = station.ledger
    if ledger is None:
        return _keep(station.trouble.detail if station.trouble is not None else "there is no ledger")
    asked = MayWipeRequest(
        card=card,
        production_file=request.production_file,
        working_folder=request.working_folder,
        person=request.person,
    )
    try:
        quiet = replace(ctx, station=StationLedger(ledger), emit=lambda event: None, cancel=Cancel(), now=local_now)
        answer = may_wipe(asked, quiet, after_offload=True)
    except RollproofError as problem:
        return _keep(problem.message)
    except Exception as error:  # noqa: BLE001 - the offload's own verdict must not be lost to a question after it
        return _keep(f"the question could not be judged ({type(error).__name__}); ask again with may-wipe")
    failed = {copy.path: copy.why for copy in answer.copies if copy.drive_failed}
    return CardAnswer(answer=answer.answer, reasons=answer.reasons), failed


def _keep(reason: str) -> tuple[CardAnswer, dict[str, str]]:
    return CardAnswer(answer="KEEP", reasons=[reason]), {}
