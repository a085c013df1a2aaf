"""Audit a whole production: every roll on every drive, what each copy is worth, what is missing, what does not agree.

By listings, records and manifests alone, or with every copy read again. One worker for each physical device.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

from rollproof.copies.permits import uses_of_ledger
from rollproof.copies.reading_journal import ReadingJournal
from rollproof.copies.silent_drive import put_down_silent
from rollproof.models.audit_results import AuditResult
from rollproof.models.errors import CouldNotFinish, Interrupted, UntrustedInput
from rollproof.models.findings import Finding, Kind, error, note
from rollproof.models.names import shown
from rollproof.models.requests import AuditRequest
from rollproof.production.model import Production
from rollproof.proof.permits import CardUse
from rollproof.proof.policy import Rules
from rollproof.station.context import Context
from rollproof.station.rules import Ruling, find_rules
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.workflows.audit.accepted import Acceptances
from rollproof.workflows.audit.against import set_apart, to_compare
from rollproof.workflows.audit.agreement import compare_copies, same_clips, same_names
from rollproof.workflows.audit.away import Away, NotThere, gap_at
from rollproof.workflows.audit.begun import tell_begun
from rollproof.workflows.audit.clones import Clone, find_clones
from rollproof.workflows.audit.copy import CopyLook, Place, Told
from rollproof.workflows.audit.custody import signatures
from rollproof.workflows.audit.document import check_document, write_document
from rollproof.workflows.audit.drives import DriveLooker, Seen, split_days
from rollproof.workflows.audit.holdings import missing_on_drives
from rollproof.workflows.audit.known import Known, compare_with_ledger, permits
from rollproof.workflows.audit.numbers import days_without_sound, find_gaps, gaps
from rollproof.workflows.audit.places import by_device, find_places, not_named
from rollproof.workflows.audit.reread import Rereader
from rollproof.workflows.audit.result import Answer, audit_result
from rollproof.workflows.audit.resume import StoppedAudit
from rollproof.workflows.audit.rolls import Roll, rolls_of, same_device, too_few, twice_on_a_drive
from rollproof.workflows.audit.said import (
    loose_copy,
    loose_finding,
    not_compared,
    nothing_there,
    other_productions,
)
from rollproof.workflows.audit.to_read import still_to_read
from rollproof.workflows.audit.workers import Crew, pulsing

_Made = TypeVar("_Made")


def audit(request: AuditRequest, ctx: Context) -> AuditResult:
    """Audit the drives of the request. `complete` only when every roll has its copies and nothing is short, damaged,
    missing or at odds.

    Nothing is written on the drives unless they are read again: then every copy's histories get what was found, as a
    verify appends it. Raises UsageProblem (the document cannot go where it is wanted), ProductionFileProblem,
    Interrupted: what was read again by then has its records, and the same command goes on.
    """
    check_document(request.out)
    with ctx.station:
        return _Audit(request, ctx).run()


class _Audit:
    def __init__(self, request: AuditRequest, ctx: Context) -> None:
        self._request = request
        self._ctx = ctx
        self._io = ctx.io
        self._station = ctx.station
        self._known = ctx.known_keys
        self._now = ctx.now()
        self._began = time.monotonic()
        self._told: list[Told] = [Told("custody", finding) for finding in self._known.findings]
        self._places: list[Place] = []
        self._seen: dict[int, Seen] = {}
        self._stopped: StoppedAudit | None = None
        self._uses: list[CardUse] = []
        self._rules = Rules()
        self._ruled_by: Production | None = None
        self._gaps: list[NotThere] = []
        self._clones: list[Clone] = []

    def run(self) -> AuditResult:
        """Look, ask what others know, read again if asked to, compare, judge."""
        try:
            self._places, problems = find_places(self._request.paths, self._ctx.drives, self._ctx.cancel, self._silent)
            ruling = self._ruling()
            self._ruled_by, self._rules = ruling.production, ruling.rules
            self._told += [Told("copies", finding) for finding in ruling.findings]
            self._find_gaps(problems)
            self._look()
        except Interrupted:
            raise Interrupted("the audit was interrupted; nothing was written", hint="run it again") from None
        self._side_by_side(lambda io: split_days(io, self._seen.values()))
        production = self._ruled_by if self._request.against is not None else None
        copies = [copy for number in sorted(self._seen) for copy in self._seen[number].copies]
        self._clones = find_clones(self._places, copies)
        around = [copy for number in sorted(self._seen) for copy in self._seen[number].around]
        missing = self._ask_ledger([*copies, *around], production)
        reader = self._reread(copies) if self._request.reread else None
        rolls = self._side_by_side(lambda io: rolls_of(io, copies, self._rules))
        self._side_by_side(lambda io: self._judge(io, rolls, copies, missing, production))
        if self._stopped is not None:
            self._stopped.end()
        answer = Answer(
            self._request, self._now, self._places, rolls, self._all_told(rolls, copies), reader, self._began
        )
        result = audit_result(answer)
        if self._request.out is None:
            return result
        return write_document(self._request.out, result)

    def _ruling(self) -> Ruling:
        """The production file that is named, or found where the command was given: its rules hold for its copies."""
        asked = self._request
        # an empty folder that a drive has left behind lies where the production's own file does, and is not judged
        empty = {place.path for place in self._places if place.is_empty}
        judged = [path for path in asked.paths if path not in empty]
        return find_rules(asked.working_folder, asked.against, self._ctx.drives, judged=judged)

    def _find_gaps(self, problems: Sequence[Finding]) -> None:
        """The paths at which a drive is expected and none is: nothing is missing *there* then."""
        for finding in problems:
            path = next(path for path in self._request.paths if shown(path) == finding.path)
            at = self._gap(path, finding.detail, None)
            if at.is_known and finding.kind is Kind.DRIVE_MISSING:
                self._gaps.append(at)
            else:
                self._told.append(Told("copies", finding, is_cause=True))
        for place in self._places:
            at = self._gap(place.path, f"{shown(place.path)} is an empty folder of another drive", place)
            if place.is_empty and at.is_known:
                place.lost = True
                self._gaps.append(at)

    def _gap(self, path: bytes, why: str, place: Place | None) -> NotThere:
        last = self._station.tell(lambda ledger: ledger.last_at_path(os.path.abspath(path)))
        if last is not None and any(each.volume.serial == last.volume for each in self._places):
            last = None  # that drive is attached: it is another folder that is missing
        return gap_at(path, why, place, self._ruled_by, last)

    # --- looking

    def _silent(self, path: bytes, why: str) -> None:
        journal = ReadingJournal(self._ctx.station, "audit")
        for odd in put_down_silent(journal, self._ctx.drives, path, shown(path), why):
            self._told.append(Told("copies", odd))

    def _look(self) -> None:
        groups = by_device(self._places)
        looker = DriveLooker(
            self._io, self._known, self._ctx.emit, self._ctx.cancel, self._seen, self._lose, self._rules
        )
        crew = Crew(looker.look, self._ctx.cancel, self._ctx.settings.stall_seconds)
        hanging = crew.run(groups, cancel_seconds=self._ctx.settings.cancel_seconds)
        for number in hanging:
            for place in groups[number]:
                self._lose(place, Kind.DRIVE_HANGS, f"it has not answered for {self._ctx.settings.stall_seconds:.0f} s")

    def _lose(self, place: Place, kind: Kind, why: str) -> None:
        place.lost = True
        finding = error(
            kind,
            f"the drive {place.name} could not be looked at to the end: {why}",
            drive=place.name,
            remedy="check the drive and its cable, plug it in again, and audit again",
        )
        self._told.append(Told("copies", finding))

    # --- what others know

    def _productions(self, copies: Sequence[CopyLook], production: Production | None) -> set[str]:
        if production is not None:
            return {production.name}
        return {copy.production or "" for copy in copies if copy.has_records}

    def _ask_ledger(self, copies: Sequence[CopyLook], production: Production | None) -> set[str]:
        productions = self._productions(copies, production)
        others = self._station.tell(lambda ledger: compare_with_ledger(ledger, self._places, copies, productions))
        begun = self._station.tell(
            lambda ledger: tell_begun(ledger, self._station.at_work, self._places, copies, productions)
        )
        self._told += begun or []
        self._uses = self._station.tell(uses_of_ledger) or []
        self._told += [Told("custody", finding) for finding in self._station.findings()]
        if others is None:
            return set()
        self._told += others.told
        return others.missing

    # --- reading again

    def _reread(self, copies: Sequence[CopyLook]) -> Rereader:
        stopped = self._stopped = StoppedAudit(self._io, self._places)
        reader = Rereader(self._ctx, self._request.person, self._rules)
        given, before = self._request.since, stopped.begun_at(self._now)
        since = given if given is not None else before
        if before is None or given is not None:
            stopped.begin(since or self._now)
        reader.against = self._side_by_side(lambda io: to_compare(io, rolls_of(io, copies, self._rules)))
        around = [copy for number in sorted(self._seen) for copy in self._seen[number].around]
        chosen = still_to_read(reader, copies, around, since, anybody=given is not None)
        reader.start(chosen)
        groups = [
            [copy for place in group for copy in chosen if copy.place is place] for group in by_device(self._places)
        ]
        groups = [group for group in groups if group]
        try:
            hanging = Crew(reader.one, self._ctx.cancel, 2 * self._ctx.settings.stall_seconds).run(
                groups, cancel_seconds=self._ctx.settings.cancel_seconds
            )
        except Interrupted:
            done = reader.read.copies + reader.read.before
            raise Interrupted(
                f"the audit was interrupted; {done:,} of {len(chosen) + reader.read.before:,} copies were read again"
                " by now and have their records",
                hint="run the same command again: it goes on with the others",
            ) from None
        for number in hanging:
            for place in {copy.place.number: copy.place for copy in groups[number]}.values():
                if not place.lost:
                    self._lose(place, Kind.DRIVE_HANGS, "it stopped answering while it was read again")
        reader.ended(self._places)
        for place in reader.read.read_only:
            finding = note(
                Kind.READ_ONLY,
                f"the drive {place.name} cannot be written to: nothing was appended to the histories on it",
                drive=place.name,
                remedy="make it writable and audit again, if the result is to be recorded on it",
            )
            self._told.append(Told("copies", finding))
        self._told += [Told("custody", finding) for finding in self._station.findings()]
        return reader

    # --- judging

    def _side_by_side(self, work: Callable[[Io], _Made]) -> _Made:
        """Do what needs several drives at once; none of them can keep it waiting for ever."""
        made: list[_Made] = []
        crew: Crew[None] = Crew(
            lambda _, __, pulse: made.append(work(pulsing(self._io, pulse))),
            self._ctx.cancel,
            self._ctx.settings.stall_seconds,
        )
        try:
            hanging = crew.run([[None]], cancel_seconds=self._ctx.settings.cancel_seconds)
        except Interrupted:
            hint = "run the same command again: copies that were read again are not read once more"
            raise Interrupted("the audit was interrupted while its copies were compared", hint=hint) from None
        if hanging:
            raise CouldNotFinish(
                "a drive stopped answering while the copies were compared", hint="check the drives, and audit again"
            )
        return made[0]

    def _judge(
        self,
        io: Io,
        rolls: list[Roll],
        copies: Sequence[CopyLook],
        missing: set[str],
        production: Production | None,
    ) -> None:
        self._loose(rolls)
        known = Known(self._places, [copy for roll in rolls for copy in roll.copies])
        uses = [use for copy in copies for use in copy.uses] + self._uses
        for roll in rolls:
            if self._ctx.cancel.is_set():
                raise Interrupted("interrupted")
            known.compare(roll)
            try:
                compare_copies(io, roll)
            except OSError as error:
                self._lose(roll.best.place, Kind.DRIVE_GONE, said(error))
            permits(roll, uses)
        for roll in rolls:
            try:
                apart = set_apart(io, roll)
            except (OSError, UntrustedInput):
                apart = None  # what cannot be read has its own finding
            if apart is not None:
                roll.say(apart)
        away = Away(self._gaps, self._clones, known.away_of)
        explained = away.explain(rolls)
        for number, roll in enumerate(rolls):
            short = too_few(roll) if number not in explained else None
            if short is not None:
                roll.say(short)
        self._told += [
            *away.told,
            *same_device(rolls),
            *twice_on_a_drive(rolls),
            *same_names(rolls),
            *known.away(away.drives),
            *signatures(copies),
        ]
        try:
            self._told += same_clips(io, rolls)
        except OSError as error:
            self._told.append(not_compared(error))
        found = find_gaps(rolls, missing)
        choices = Acceptances.of(self._request, rolls, found)
        choices.record(io, self._ctx.signer, self._station.tell)
        self._told += choices.with_command(gaps(found, choices.accepted_numbers()))
        self._told += choices.findings()
        self._told += days_without_sound(rolls)
        self._told += missing_on_drives(self._places, rolls, self._ruled_by)
        if production is not None:
            self._told += other_productions(rolls, production)
            unseen = not_named(production, self._places, away.drives, partial(self._last_in_role, production.name))
            self._told += [Told("completeness", finding) for finding in unseen]
        if not rolls:
            self._told.append(nothing_there(io, self._request.paths))

    def _last_in_role(self, production: str, role: str) -> str:
        """The volume that this station last saw in a role of the production; empty where it saw none."""
        seen = self._station.peek(lambda ledger: ledger.last_in_role(production, role))
        return seen.volume if seen is not None else ""

    def _loose(self, rolls: list[Roll]) -> None:
        """Folders without a record: copies of rolls that are known, else strangers."""
        for number in sorted(self._seen):
            seen = self._seen[number]
            for loose in seen.walked.loose:
                name = shown(os.path.basename(loose.folder))
                roll = next((roll for roll in rolls if roll.name == name), None) if loose.what != "strangers" else None
                if loose.what != "strangers":
                    if roll is None:
                        roll = Roll(name, [])
                        rolls.append(roll)
                    roll.copies.append(loose_copy(seen.place, loose, name))
                enough = roll is not None and roll.counted >= roll.required
                self._told.append(loose_finding(seen.place, loose, name, enough=enough))

    def _all_told(self, rolls: Sequence[Roll], copies: Sequence[CopyLook]) -> list[Told]:
        told = [*self._told]
        told += [each for number in sorted(self._seen) for each in self._seen[number].told]
        told += [each for copy in copies for each in copy.told]
        told += [each for number in sorted(self._seen) for copy in self._seen[number].around for each in copy.told]
        told += [each for roll in rolls for each in roll.told]
        return list(dict.fromkeys(told))
