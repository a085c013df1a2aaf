"""What the station's ledger is told at the end of an offload, and of every copy that was verified.

Records on the drives come first, then the ledger, then the verdict. Good news is remembered only when it lies sealed
on the drive; bad news always: the newest word decides, also while the drive is away.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from rollproof.copies.ledger_import import learn_copy, record_note
from rollproof.copies.lost_records import loss_findings, losses_of
from rollproof.copies.roll_folder import RollFolder
from rollproof.ledger.entries import CopyState, DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.grouped import grouped
from rollproof.records.chain import Chain
from rollproof.records.founding import founder_of

if TYPE_CHECKING:
    pass


def remember_chain(ledger: Ledger, copy_id: int, chain: Chain) -> None:
    """Remember every record of a copy's chain that is not known yet."""
    known = ledger.digests_of(copy_id)
    for link in chain.links:
        note = record_note(link) if link.state == "whole" else None
        if note is not None and note.sha256 not in known.get(note.sequence, ()):
            ledger.remember_record(copy_id, note)


# --- after a verify


def other_offload_records(ledger: Ledger, chain: Chain, roll: RollFolder) -> list[Finding]:
    """Errors for offload records that are others now than this station remembers.

    A lost record is put behind a copy by a clean verify; a changed one is not: it is what the verify compares with. The
    station's memory of a record is never replaced by what lies in its place. Raises LedgerProblem.
    """
    known = [copy for copy in ledger.copies_on(DriveIdentity.of(roll.volume)) if copy.folder == roll.folder]
    remembered = [item for copy in known for item in ledger.digests_of(copy.id, kind="offload").items()]
    there = {link.sequence: link for link in chain.links if link.kind == "offload"}
    return [
        error(
            Kind.CHAIN_BROKEN,
            f"record {number} is not the one that this station remembers: it was changed or replaced",
            path=there[number].name,
            drive=roll.drive,
            remedy="keep the card and the other copies, and offload to another folder: this record is not believed",
        )
        for number, digests in remembered
        if number in there and there[number].sha256 not in digests
    ]


def remember_verify(
    ledger: Ledger,
    roll: RollFolder,
    *,
    clean: bool,
    findings: Sequence[Finding],
    now: datetime,
) -> list[Finding]:
    """Remember what a verify found of a copy, be it known already or new to this station.

    Returns what the station's memory adds: records that are gone or others than it remembers. After a clean verify the
    copy counts again, and they are told all the same. A copy without an offload record is remembered only if it had one
    before. Raises LedgerProblem, OSError.
    """
    chain = roll.chain()
    found = roll.standing(chain)
    known = [copy for copy in ledger.copies_on(DriveIdentity.of(roll.volume)) if copy.folder == roll.folder]
    by_itself = {finding.kind for finding in chain.findings}
    losses = [losses_of(ledger, copy.id, chain, founder_of(chain)) for copy in known]
    lost = [finding for each in losses for finding in loss_findings(each, roll.drive)]
    told = [each for each in lost if each.kind not in by_itself]
    other = other_offload_records(ledger, chain, roll)
    copies = [] if other else learn_copy(ledger, roll, chain, found, seen_at=now)
    newest = chain.newest
    for copy_id in dict.fromkeys([*copies, *(copy.id for copy in known)]):
        # a copy that is not this roll's any more is worth nothing for the roll that it was
        state: CopyState = found.state if clean and copy_id in copies else "failed"
        ledger.remember_verify(
            copy_id,
            state=state,
            readback=found.readback,
            at=now,
            why=" ".join(found.why) if clean else "a verify found that this copy is not as recorded",
            record=record_note(newest) if newest is not None and newest.kind == "verify" else None,
            findings=grouped([finding for finding in findings if finding.severity is not Severity.NOTE]),
        )
        if not other:
            remember_chain(ledger, copy_id, chain)
    return other or [
        warning(finding.kind, finding.detail, path=finding.path, drive=roll.drive, remedy=finding.remedy)
        for finding in told
    ]
