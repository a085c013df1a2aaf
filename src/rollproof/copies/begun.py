"""Offloads that this station began and that are not finished: what is said of them, and the command that finishes one.

Every command that shows rolls, cards or copies asks here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from rollproof.ledger.entries import BegunNote, DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Volume
from rollproof.proof.begun import BegunFacts, BegunState, judge_begun, needs_card
from rollproof.station.at_work import AtWork


@dataclass(frozen=True, slots=True)
class BegunCopy:
    """One copy of such an offload. `path` is the roll folder where its drive was mounted then."""

    drive: str
    path: bytes
    volume: str
    folder: bytes


@dataclass(frozen=True, slots=True)
class BegunOffload:
    """One run over one card, with the copies that it did not finish and that are alike. `needs_card` is whether the
    card may be all there is."""

    roll: str
    production: str
    day: str | None
    unit: str | None
    source_kind: str
    source: bytes
    serial: str | None
    listing_digest: str
    began_at: datetime
    state: BegunState
    needs_card: bool
    command: str
    copies: tuple[BegunCopy, ...]

    @property
    def drives(self) -> str:
        """The drives, for a sentence."""
        names = [inert(copy.drive) for copy in self.copies]
        return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"

    def is_of_listing(self, digest: str) -> bool:
        """Whether the card held just this then."""
        return self.listing_digest == digest

    def is_of_card(self, digest: str, serial: str | None) -> bool:
        """Whether it was this card, with whatever on it."""
        return self.is_of_listing(digest) or (serial is not None and self.serial == serial)

    def is_at(self, volume: Volume, folder: bytes) -> bool:
        """Whether one of its copies lies there."""
        here = (DriveIdentity.of(volume).volume_text, folder)
        return any((copy.volume, copy.folder) == here for copy in self.copies)


def begun_offloads(ledger: Ledger, at_work: AtWork) -> list[BegunOffload]:
    """All of them, oldest first. Raises LedgerProblem."""
    runs: dict[tuple[str, datetime, str, BegunState, bool], list[BegunNote]] = {}
    running = _remembering(at_work.is_running)
    for known in ledger.begun_copies():
        note = known.note
        facts = BegunFacts(running(note.run), known.ended_at or note.began_at, known.enough_at)
        key = (note.command, note.began_at, note.roll, judge_begun(facts), needs_card(facts))
        runs.setdefault(key, []).append(note)
    found = []
    for (_, _, _, state, needed), members in runs.items():
        first = members[0]
        copies = tuple(BegunCopy(each.drive, each.path, each.volume, each.folder) for each in members)
        found.append(
            BegunOffload(
                first.roll, first.production, first.day, first.unit, first.source_kind, first.source, first.serial,
                first.listing_digest, first.began_at, state, needed, first.command, copies,
            )
        )  # fmt: skip
    return found


def begun_finding(begun: BegunOffload) -> Finding:
    """What is said of it. An error where the card may be all there is."""
    began = f"{begun.began_at.astimezone():%Y-%m-%d %H:%M}"
    where = shown(begun.copies[0].path)
    if begun.state == "at work":
        detail = f"the offload of roll {inert(begun.roll)} that was begun {began} is still at work on {begun.drives}"
        return Finding(Kind.NOT_FINISHED, Severity.WARNING, where, detail, remedy="wait until it has ended")
    detail = f"the offload of roll {inert(begun.roll)} that was begun {began} was not finished on {begun.drives}"
    if begun.state == "left over":
        detail += "; its card was offloaded again since, and has the copies that it needs"
        return Finding(Kind.NOT_FINISHED, Severity.NOTE, where, detail, remedy=finish_it(begun))
    severity = Severity.ERROR if begun.needs_card else Severity.WARNING
    return Finding(Kind.NOT_FINISHED, severity, where, detail, remedy=finish_it(begun))


def finish_it(begun: BegunOffload) -> str:
    """The next step."""
    keep = "keep the card; " if begun.needs_card else ""
    return f"{keep}finish it with: {begun.command}"


def with_command(findings: Iterable[Finding], begun: BegunOffload | None) -> list[Finding]:
    """The findings about a copy, where one says that its offload was not finished with the command that finishes it."""
    if begun is None:
        return list(findings)
    told = begun_finding(begun)
    return [
        replace(each, detail=told.detail, remedy=told.remedy) if each.kind is Kind.NOT_FINISHED else each
        for each in findings
    ]


def _remembering(ask: Callable[[str], bool]) -> Callable[[str], bool]:
    answers: dict[str, bool] = {}

    def asked(run: str) -> bool:
        if run not in answers:
            answers[run] = ask(run)
        return answers[run]

    return asked
