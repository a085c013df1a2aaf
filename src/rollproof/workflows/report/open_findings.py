"""What was odd on the cards of a report's rolls and nobody has accepted: it leads the report.

The same question as that of an audit, a handover and an arrival, from the records on the drives and from what this
station remembers.
"""

from __future__ import annotations

from collections.abc import Sequence

from rollproof.copies.card_findings import damaged_clip
from rollproof.ledger.entries import HistoryLine
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Kind
from rollproof.models.names import inert
from rollproof.proof.on_the_card import Acceptance, CardFinding, clip_name_twice, outstanding, same_names
from rollproof.reports.model import OpenFinding
from rollproof.workflows.report.rolls import RollFound


def add_from_ledger(ledger: Ledger, found: RollFound) -> None:
    """Take in what this station remembers of the card of a roll. Raises LedgerProblem."""
    if found.ledger_id is None:
        return
    on_card = found.on_card
    known = {(each.kind, each.name) for each in on_card.findings}
    remembered = [damaged_clip(name) for name in sorted(ledger.damaged_clips([found.ledger_id]))]
    for path, detail in ledger.card_findings(found.ledger_id, [Kind.CLIP_NUMBERS_GAP]):
        remembered.append(CardFinding(Kind.CLIP_NUMBERS_GAP, path or f"{found.roll}-numbers", inert(detail)))
    on_card.findings += [each for each in remembered if (each.kind, each.name) not in known]
    for line in ledger.history(found.ledger_id):
        on_card.acceptances += _accepted(line)


def _accepted(line: HistoryLine) -> list[Acceptance]:
    if line.what != "accept":
        return []
    names, _, reason = line.detail.removeprefix("accepted: ").partition(": ")
    return [Acceptance("", name, line.who.name, reason) for name in names.split(", ")]


def open_findings(rolls: Sequence[RollFound]) -> list[OpenFinding]:
    """Those of these rolls, roll by roll; then the clip names that several of them have, with other content in each."""
    found = [
        OpenFinding(kind=each.kind.value, rolls=[inert(roll.roll)], name=inert(each.name), detail=each.detail)
        for roll in rolls
        for each in outstanding(roll.on_card.findings, roll.on_card.acceptances)
    ]
    for name, members in same_names([(roll.production, roll.contents) for roll in rolls]):
        names = [rolls[number].roll for number in members]
        twice = clip_name_twice(name, names)
        given = [each for number in members for each in rolls[number].on_card.acceptances]
        if outstanding([twice], given):
            found.append(
                OpenFinding(
                    kind=twice.kind.value, rolls=[inert(roll) for roll in names], name=inert(name), detail=twice.detail
                )
            )
    return found
