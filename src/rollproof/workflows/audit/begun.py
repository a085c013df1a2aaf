"""Offloads that this station began and did not finish, among the copies and drives of an audit."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from rollproof.copies.begun import BegunOffload, begun_finding, begun_offloads, with_command
from rollproof.copies.location import place_on
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.station.at_work import AtWork
from rollproof.workflows.audit.copy import CopyLook, Place, Told


def tell_begun(
    ledger: Ledger, at_work: AtWork, places: Sequence[Place], copies: Sequence[CopyLook], productions: Collection[str]
) -> list[Told]:
    """A copy that says itself that it is not finished says how to finish it; what no copy here says is told beside
    them, for these drives and these productions. Raises LedgerProblem."""
    told: list[Told] = []
    volumes = {DriveIdentity.of(place.volume).volume_text for place in places}
    for begun in begun_offloads(ledger, at_work):
        here = [copy for copy in copies if copy.unfinished and _is_at(begun, copy)]
        for copy in here:
            copy.told = [
                replace(each, finding=finding) for each in copy.told for finding in with_command([each.finding], begun)
            ]
            copy.roll = copy.roll or begun.roll
        on_these = any(copy.volume in volumes for copy in begun.copies)
        if not here and (on_these or begun.production in productions):
            told.append(Told("completeness", begun_finding(begun), begun.roll))
    return told


def _is_at(begun: BegunOffload, copy: CopyLook) -> bool:
    return begun.is_at(copy.place.volume, place_on(copy.place.volume, copy.path))
