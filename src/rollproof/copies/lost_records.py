"""Records of a copy that this station remembers and that are gone: said alike whenever somebody asks."""

from __future__ import annotations

from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import inert
from rollproof.proof.histories import Losses, RecordFact, lost_records
from rollproof.records.chain import Chain

_REMEDY = (
    "the footage is not touched by this: find out who did it, compare with the records on another drive with this roll,"
    " and copy the roll from there into a new folder; a verify does not bring a record back"
)


def losses_of(ledger: Ledger, copy_id: int, chain: Chain, founder: str | None) -> Losses:
    """What this chain of the copy that `founder` founded lost since this station knows it. Raises LedgerProblem."""
    there = [RecordFact(link.sequence, link.sha256, link.name, link.kind == "offload") for link in chain.links]
    return lost_records(there, ledger.records_of(copy_id), founder)


def loss_findings(losses: Losses, drive: str) -> list[Finding]:
    """One error for each record that is gone or another one now."""
    out = []
    for each in losses.lost:
        number, name = each.record.sequence, inert(each.record.name)
        if each.replaced:
            detail = f"record {number} is not the one that this station remembers: it was changed or replaced"
            out.append(error(Kind.CHAIN_BROKEN, detail, path=name, drive=drive, remedy=_REMEDY))
        else:
            detail = f"record {number} is missing here, and this station remembers it: {name}"
            out.append(error(Kind.RECORD_MISSING, detail, path=name, drive=drive, remedy=_REMEDY))
    return out
