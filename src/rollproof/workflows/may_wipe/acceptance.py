"""What a person accepted about a card is a record on every attached copy: the permit on those that count, and a record
of its own on the others."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from rollproof.copies.accepting import accept_header
from rollproof.copies.deadline import InTime
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import RollproofError
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert
from rollproof.models.requests import MayWipeRequest
from rollproof.proof.acceptance import Subject
from rollproof.records.models import AcceptedFinding
from rollproof.station.keys import station_signer
from rollproof.storage.errors import said
from rollproof.workflows.may_wipe.copies import CopyInView
from rollproof.workflows.may_wipe.permit import append_in_time, remember_record


def accept_beside(
    others: Iterable[CopyInView],
    subjects: Sequence[Subject],
    request: MayWipeRequest,
    ledger: Ledger,
    in_time: Callable[[], InTime],
) -> list[Finding]:
    """Write what was accepted beside attached copies that have no permit. One that cannot take it is a warning: it does
    not count for the answer either."""
    blocks = [AcceptedFinding(kind="", name=subject.name) for subject in subjects]
    found = []
    for view in others:
        if view.handle < 0 or view.chain is None or view.volume is None or view.volume.read_only:
            continue
        header = accept_header(blocks, request.person, request.reason, view.production, view.roll)
        try:
            record = append_in_time(in_time(), view, header, station_signer(), view.digests)
            remember_record(ledger, view, record, "accept", request.person, "accepted with may-wipe")
        except (OSError, RollproofError, ValueError) as error:
            why = said(error) if isinstance(error, OSError) else str(error)
            detail = f"what was accepted could not be written beside the copy on {inert(view.drive)} ({inert(why)})"
            found.append(
                Finding(Kind.ACCEPTED, Severity.WARNING, "", detail, view.drive, "see to that drive, then verify it")
            )
    return found
