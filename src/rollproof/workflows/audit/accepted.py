"""Findings that a person may accept by name: what is open, what a name means, and the record of it on every copy."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from rollproof.copies.accepting import accept_header, remember_acceptance, write_acceptance
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import RollproofError
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.requests import AuditRequest
from rollproof.proof.acceptance import Subject, accepted, unclear, unused
from rollproof.proof.on_the_card import Acceptance, CardFinding, accepted_by, clip_name_twice, same_names
from rollproof.records.models import AcceptedFinding
from rollproof.records.signing import Signer
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.workflows.audit.copy import Told
from rollproof.workflows.audit.numbers import Gap
from rollproof.workflows.audit.rolls import Roll

_REMEDY = {
    Kind.DAMAGED_CLIP: "tell the camera team, and look whether the card still holds it whole",
    Kind.CLIP_NUMBERS_GAP: "compare with the camera report: deleted in the camera, or lost?",
    Kind.CLIP_NAME_TWICE: "tell whoever conforms the cut which is which; rename nothing",
    Kind.ROLL_GAP: "compare with the camera reports and keep every card",
}
Tell = Callable[[Callable[[Ledger], None]], object]


@dataclass(slots=True)
class Open:
    """A finding that may be accepted, and the rolls it is about: their copies hold the record of it."""

    finding: CardFinding
    subject: Subject
    rolls: tuple[Roll, ...]
    before: Acceptance | None = None
    now: bool = False


@dataclass(slots=True)
class Acceptances:
    """All of them in one audit. `told` is what is said of the names that were given."""

    request: AuditRequest
    all: list[Open]
    told: list[Told] = field(default_factory=list)

    @classmethod
    def of(cls, request: AuditRequest, rolls: Sequence[Roll], gaps: Iterable[Gap]) -> Acceptances:
        """What is open on these rolls, accepted before or not."""
        found = [*_of_cards(rolls), *_same_names(rolls), *_of_gaps(gaps)]
        for each in found:
            records = [given for roll in each.rolls for copy in roll.copies for given in copy.card.acceptances]
            each.before = accepted_by(each.finding, records)
        return cls(request, found)

    def choose(self) -> list[Open]:
        """Those that the names of this request accept now, and were not accepted before."""
        given = self.request.accepted
        still = [each for each in self.all if each.before is None]
        subjects = [each.subject for each in self.all]
        chosen = accepted(given, subjects)
        for name in unclear(given, subjects):
            which = ", ".join(inert(subject.whole) for subject in name.candidates)
            detail = f"the name {inert(name.given)} is that of {len(name.candidates)} findings: {which}"
            remedy = f"accept each by its whole name: {self.command(*(each.whole for each in name.candidates))}"
            self._say(Severity.ERROR, detail, remedy)
        for left in unused(given, subjects):
            never = "what differs, is missing or lacks copies never can be"
            detail = f"nothing that can be accepted is called {inert(left)}; {never}"
            self._say(Severity.WARNING, detail)
        return [each for each in still if each.subject in chosen]

    def _say(self, severity: Severity, detail: str, remedy: str = "") -> None:
        self.told.append(Told("completeness", Finding(Kind.ACCEPTED, severity, "", detail, remedy=remedy)))

    def command(self, *names: str) -> str:
        """The command that accepts these names, with everything it needs."""
        asked = self.request
        words = ["rollproof", "audit", *(shown(path) for path in asked.paths)]
        if asked.against is not None:
            words += ["--against", shown(asked.against)]
        for name in names:
            words += ["--accept", inert(name)]
        words += ["--reason", asked.reason.strip() or "REASON", "--by", asked.person.name.strip() or "NAME"]
        return shlex.join(words)

    def record(self, io: Io, signer: Signer, tell: Tell) -> None:
        """Accept what was chosen, and write it beside every copy of the rolls it is about. What no copy could take is
        not accepted; a copy that could not take it is said."""
        chosen = self.choose()
        if not chosen:
            return
        if not self.request.person.name.strip():
            for each in chosen:
                each.now = each.finding.kind is Kind.ROLL_GAP  # as it always was: for this answer only
            what = "is not remembered" if all(each.now for each in chosen) else "is not accepted"
            self._say(Severity.WARNING, f"what was named {what}: nobody said who accepts it", "say who with --by NAME")
            return
        by_roll: dict[int, tuple[Roll, list[Open]]] = {}
        for each in chosen:
            for roll in each.rolls:
                by_roll.setdefault(id(roll), (roll, []))[1].append(each)
        for roll, here in by_roll.values():
            for each in here if self._beside_copies(io, roll, here, signer, tell) else ():
                each.now = True

    def _beside_copies(self, io: Io, roll: Roll, here: Sequence[Open], signer: Signer, tell: Tell) -> bool:
        """Whether at least one copy of the roll took the record."""
        blocks = [
            AcceptedFinding(kind=each.finding.kind, name=each.finding.name, detail=each.finding.detail) for each in here
        ]
        header = accept_header(blocks, self.request.person, self.request.reason, roll.production, roll.name)
        written = False
        for copy in roll.copies:
            if not copy.has_records or copy.place.lost:
                continue
            try:
                record = write_acceptance(io, copy.path, copy.place.volume, header, signer, copy.chain.digests)
            except (OSError, RollproofError, ValueError) as error:
                why = said(error) if isinstance(error, OSError) else str(error)
                detail = (
                    f"what was accepted could not be written beside the copy of roll {inert(roll.name)} ({inert(why)})"
                )
                remedy = "see to the drive and accept it again with that drive attached and writable"
                finding = Finding(Kind.ACCEPTED, Severity.WARNING, "", detail, shown(copy.path), remedy)
                self.told.append(Told("completeness", finding, roll.name))
                continue
            written = True
            tell(
                lambda ledger, copy=copy, record=record: remember_acceptance(  # type: ignore[misc]
                    ledger, copy.path, copy.place.volume, header, record
                )
            )
        return written

    def accepted_numbers(self) -> dict[str, str]:
        """Roll numbers that are accepted, and how that is said."""
        return {
            each.finding.name: self._how(each)
            for each in self.all
            if each.finding.kind is Kind.ROLL_GAP and self._is_accepted(each)
        }

    def _is_accepted(self, each: Open) -> bool:
        return each.now or each.before is not None

    def _how(self, each: Open) -> str:
        who, why = self.request.person.name, self.request.reason
        if each.before is not None:
            who, why = each.before.person, each.before.reason
        return f"accepted{' by ' + inert(who) if who else ''}: {inert(why)}"

    def findings(self) -> list[Told]:
        """What is open as errors, what is accepted as notes. Gaps in the roll numbers are told by `numbers.gaps`."""
        names = [each.subject.name for each in self.all]
        out = []
        for each in self.all:
            found, roll = each.finding, each.rolls[0].name
            if found.kind is Kind.ROLL_GAP:
                continue
            if self._is_accepted(each):
                finding = Finding(Kind.ACCEPTED, Severity.NOTE, inert(found.name), f"{found.detail}; {self._how(each)}")
            else:
                name = each.subject.name if names.count(each.subject.name) == 1 else each.subject.whole
                remedy = f"{_REMEDY[found.kind]}; if it may stay so: {self.command(name)}"
                finding = Finding(found.kind, Severity.ERROR, inert(found.name), found.detail, remedy=remedy)
            out.append(Told("completeness", finding, roll))
        return out + self.told

    def with_command(self, told: Iterable[Told]) -> list[Told]:
        """Gaps in the roll numbers with the command that accepts the first of them."""
        return [
            replace(
                each,
                finding=replace(
                    each.finding,
                    remedy=f"{_REMEDY[Kind.ROLL_GAP]}; if the number was never used: {self.command(each.roll)}",
                ),
            )
            if each.finding.kind is Kind.ROLL_GAP and each.finding.severity is Severity.ERROR
            else each
            for each in told
        ]


def _of_cards(rolls: Iterable[Roll]) -> list[Open]:
    out = []
    for roll in rolls:
        once = dict.fromkeys((found.kind, found.name) for copy in roll.copies for found in copy.card.findings)
        texts = {(found.kind, found.name): found for copy in roll.copies for found in copy.card.findings}
        out += [Open(texts[key], Subject("clip", key[1], roll.name), (roll,)) for key in once]
    return out


def _same_names(rolls: Sequence[Roll]) -> list[Open]:
    out = []
    for name, numbers in same_names([(roll.production, roll.best.clips) for roll in rolls]):
        where = tuple(rolls[number] for number in numbers)
        out.append(Open(clip_name_twice(name, (roll.name for roll in where)), Subject("clip", name), where))
    return out


def _of_gaps(gaps: Iterable[Gap]) -> list[Open]:
    out = []
    for gap in gaps:
        for name in gap.names:
            finding = CardFinding(Kind.ROLL_GAP, name, f"there is no roll {inert(name)}")
            out.append(Open(finding, Subject("word", name), (gap.earlier, gap.later)))
    return out
