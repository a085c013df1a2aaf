"""May this card be wiped? One question, one answer; whatever is left out or goes wrong is KEEP."""

from __future__ import annotations

import contextlib
import shlex
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial

from rollproof.copies.deadline import InTime
from rollproof.copies.medium_seen import slept_with_it
from rollproof.copies.tree_hashes import HashesByPath
from rollproof.copies.tree_read import TreeRead
from rollproof.ledger.entries import KnownOffload
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import (
    Interrupted,
    ProductionFileProblem,
    RollproofError,
    UsageProblem,
)
from rollproof.models.findings import Finding, Kind, Severity, note, warning
from rollproof.models.names import inert, shown
from rollproof.models.requests import MayWipeRequest
from rollproof.models.results import MayWipeResult, WipeRoll
from rollproof.proof.acceptance import Subject, Unclear, accepted, accepts, unclear, unused
from rollproof.proof.policy import Rules
from rollproof.station.context import Context
from rollproof.station.ledger import StationLedger
from rollproof.station.rules import find_rules, lies_with
from rollproof.storage.errors import said
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.may_wipe.absent import judge_clock, refuse_absent
from rollproof.workflows.may_wipe.acceptance import accept_beside
from rollproof.workflows.may_wipe.asked_for import AskedFor
from rollproof.workflows.may_wipe.begun import about_begun
from rollproof.workflows.may_wipe.card import CardInHand, about_unseen, keep, still_the_same, take_in_hand
from rollproof.workflows.may_wipe.clips import judge_clips, odd_when_offloaded
from rollproof.workflows.may_wipe.copies import CopyInView, close_copies, silent_drives
from rollproof.workflows.may_wipe.count import (
    about_damaged,
    about_production,
    about_unknown_devices,
    count_copies,
)
from rollproof.workflows.may_wipe.last_look import changed_copies
from rollproof.workflows.may_wipe.look import CopyLook
from rollproof.workflows.may_wipe.offloads import OffloadsOfCard
from rollproof.workflows.may_wipe.other_copies import believe_siblings
from rollproof.workflows.may_wipe.permit import write_permits
from rollproof.workflows.may_wipe.result import wipe_result
from rollproof.workflows.may_wipe.second_read import supply_pass


def may_wipe(request: MayWipeRequest, ctx: Context, *, after_offload: bool = False) -> MayWipeResult:
    """Judge a card. MAY WIPE only when every rule of docs/guarantees.md, *May a card be wiped*, holds.

    With `after_offload` it is the answer at the end of an offload: nobody has asked to wipe the card yet, so no permit
    is written (that it could be is shown by the small file every counted drive takes), and the card is not read a
    third time: where that would be needed the answer is KEEP.

    Trouble of any kind comes back as KEEP with its reason; only UsageProblem, ProductionFileProblem and Interrupted
    are raised, and for those the answer is KEEP too.
    """
    if request.accepted and not (request.reason.strip() and request.person.name.strip()):
        raise UsageProblem(
            "nothing can be accepted without a reason and a name",
            hint="say why with --reason TEXT and who accepts responsibility with --by NAME",
        )
    if request.clock_is_right and not request.person.name.strip():
        raise UsageProblem(
            "nobody says that the clock is right", hint="say who confirms it with --by NAME, after a look at the clock"
        )
    judge = _Judge(ctx, request, ctx.now(), after_offload)
    with ctx.station as station:
        try:
            return judge.run(station)
        finally:
            judge.close()


@dataclass(slots=True)
class _Judge:
    ctx: Context
    request: MayWipeRequest
    now: datetime
    after_offload: bool
    reasons: list[Finding] = field(default_factory=list)
    notes: list[Finding] = field(default_factory=list)
    card: CardInHand | None = None
    copies: list[CopyInView] = field(default_factory=list)
    basis: str | None = None
    hashes: HashesByPath = field(default_factory=HashesByPath)
    read: TreeRead | None = None
    used: list[CopyInView] = field(default_factory=list)
    rolls: list[WipeRoll] = field(default_factory=list)
    permits: list[str] = field(default_factory=list)
    ruled_by: bytes | None = None
    """The production file whose rules hold; None for what is built in."""
    rules_from: str = ""
    began: float = field(default_factory=time.monotonic)
    look_hangs: bool = False
    accepted: dict[Subject, str] = field(default_factory=dict)

    def run(self, station: StationLedger) -> MayWipeResult:
        """From the card in hand to the answer."""
        rules = self._rules()
        self.rules_from = rules.source
        try:
            self._judge(station, rules)
        except (Interrupted, UsageProblem, ProductionFileProblem):
            raise
        except (OSError, RollproofError) as error:
            why = said(error) if isinstance(error, OSError) else error.message
            hint = error.hint if isinstance(error, RollproofError) else ""
            locked = isinstance(error, RollproofError) and error.id == "ledger-busy"
            kind = Kind.LOCKED if locked else Kind.UNREADABLE
            self.reasons.append(keep(kind, f"the judgement could not be finished: {why}", hint or "ask again"))
        return wipe_result(
            self.card,
            self.reasons,
            self.notes,
            basis=self.basis,
            rolls=self.rolls,
            copies=self.copies,
            used=self.used,
            permits=self.permits,
            began=self.began,
            rules_from=self.rules_from,
        )

    def _judge(self, station: StationLedger, rules: Rules) -> None:
        asked, hand = self.request, self._in_time()
        try:
            self.card, findings = hand.run(
                lambda: take_in_hand(hand.io, hand.drives, AskedFor.of(asked), rules.ignore, self.ctx.cancel)
            )
        except NoAnswer:
            self.reasons.append(self._silent_card())
            return
        self._sort(findings)
        card = self.card
        ledger: Ledger | None = None
        if card is None:
            return
        if not card.snapshot.files:
            self.basis = "listing"
            self.notes.append(note(Kind.EMPTY_CARD, "the card is empty: there is nothing on it"))
        else:
            ledger = station.ledger
            self.notes += station.findings()
            if ledger is None:
                why = station.trouble.detail if station.trouble is not None else "there is none"
                remedy = station.trouble.remedy if station.trouble is not None else ""
                kind = station.trouble.kind if station.trouble is not None else Kind.LEDGER_MISSING
                self.reasons.append(keep(kind, why, remedy))
                return
            if not self._slept(card, ledger):
                self._judge_files(card, ledger, rules)
        self._accepted(card)
        if ledger is not None and not self.reasons:
            self.reasons += changed_copies(self.used, ledger, self._in_time(), self.now)
        again = self._in_time()
        try:
            changed = again.run(lambda: still_the_same(again.io, again.drives, card, self.ctx.cancel))
        except NoAnswer:
            self.look_hangs = True
            changed = self._silent_card()
        if changed is not None:
            self.reasons.append(changed)
        if not self.reasons and ledger is not None:
            self._slept(card, ledger)  # in the middle of it
        if not self.reasons and card.snapshot.files and not self.after_offload and ledger is not None:
            self._permit(card, ledger)

    def _slept(self, card: CardInHand, ledger: Ledger) -> bool:
        """Whether the computer slept since this card was first seen: neither listing nor reading is believed then."""
        seconds = slept_with_it(ledger, self.ctx.drives, card.volume, self.now)
        if not seconds:
            return False
        numbered = card.volume.device.disk_sequence is not None
        self.reasons.append(
            keep(
                Kind.COMPUTER_SLEPT,
                "the computer slept since this card was put in: another card may lie in the reader than the one shown",
                "take the card out, put it in, and ask again"
                if numbered
                else "take the card out, restart this computer, put the card in, and ask again",
                path=shown(card.path),
            )
        )
        return True

    def _in_time(self) -> InTime:
        return InTime(self.ctx.io, self.ctx.drives, self.ctx.settings, self.ctx.cancel)

    def _silent_card(self) -> Finding:
        seconds = self.ctx.settings.stall_seconds
        remedy = "take the card out, put it back (this may need a restart), and ask again; try another reader"
        detail = f"the card has not answered for {seconds:.0f} seconds"
        return keep(Kind.DRIVE_HANGS, detail, remedy, path=shown(self.request.card))

    def _rules(self) -> Rules:
        asked, hand = self.request, self._in_time()
        try:
            ruling = hand.run(
                lambda: find_rules(asked.working_folder, asked.production_file, hand.drives, card=asked.card)
            )
        except NoAnswer:
            return Rules()  # (the card is asked again, and kept)
        self.notes += ruling.findings
        self.ruled_by = ruling.path
        return replace(ruling.rules, reread_copies=asked.reread_copies)

    def _about_rules(self) -> None:
        """A production file that was found beside a copy says nothing about that copy unless a person names it."""
        if self.ruled_by is None or self.request.production_file:
            return
        path = self.ruled_by
        tops = {view.drive: view.volume.mount_point for view in self.copies if view.volume and not view.hangs}
        hand = self._in_time()
        try:
            beside = hand.run(lambda: [drive for drive, top in tops.items() if lies_with(path, top, hand.drives)])
        except NoAnswer:
            beside = list(tops)
        if beside:
            self.reasons.append(
                keep(
                    Kind.OTHER_PRODUCTION,
                    f"the production file {shown(path)} lies on {inert(beside[0])}, a drive that is judged",
                    f"if it is the production's own, name it: --production {shlex.quote(shown(path))}",
                    drive=beside[0],
                )
            )

    def _sort(self, findings: Sequence[Finding]) -> None:
        for finding in findings:
            (self.reasons if finding.severity is Severity.ERROR else self.notes).append(finding)

    # --- files

    def _judge_files(self, card: CardInHand, ledger: Ledger, rules: Rules) -> None:
        self._permits_before(card, ledger)
        if not self.after_offload:
            self._sort(about_begun(card, ledger, self.ctx.station.at_work))
        self._clock(ledger)  # first, so that what is seen from now on is seen by a clock that was confirmed
        known = OffloadsOfCard(self.ctx, self.request, self.reasons)
        offloads = known.by_listing(card, ledger, rules)
        if offloads:
            self.basis = "listing"
        elif self.after_offload:
            self.reasons.append(
                keep(
                    Kind.CARD_UNKNOWN,
                    "without reading the card again it cannot be told whether it still holds just what was read twice",
                    "run the offload again if it did not finish; then ask with: rollproof may-wipe CARD",
                )
            )
            return
        else:
            offloads = known.by_reread(card, ledger)
            self.basis = "reread" if known.read is not None else None
        self.read, self.hashes = known.read, known.hashes
        self.reasons += about_production(offloads, rules)
        look = CopyLook(self.ctx, ledger, rules, card.volume, self.now)
        look.all_of((offload.roll_id for offload in offloads), self.copies)
        self._name_copies(offloads)
        if self.read is not None:
            person = self.request.person
            for view in self.copies:
                look.look_again(view, partial(supply_pass, card=card, read=self.read, view=view, person=person))
        self.notes += silent_drives(self.copies)
        self._about_rules()
        believe_siblings(self.copies)
        self._clock(ledger)
        refuse_absent(ledger, self.copies, look.attached)
        count = count_copies(
            card, ledger, offloads, self.copies, self.hashes, rules, passed_over=self._taken_over(card)
        )
        self.reasons += about_unseen(card, unfinished=any(view.facts.unfinished for view in self.copies))
        self.reasons += count.reasons
        self.used, self.rolls = count.used, count.rolls
        self.notes += about_unknown_devices(self.used)
        self._judge_clips(card, ledger, offloads)

    def _clock(self, ledger: Ledger) -> None:
        confirmed_by = self.request.person if self.request.clock_is_right else None
        found = list(judge_clock(ledger, self.copies, self.now, confirmed_by=confirmed_by))
        self.notes += found if self.copies or confirmed_by is not None else []

    def _judge_clips(self, card: CardInHand, ledger: Ledger, offloads: Sequence[KnownOffload]) -> None:
        clips = judge_clips(
            self.ctx.io, card, ledger, offloads, by_listing=self.basis == "listing",
            settings=self.ctx.settings, cancel=self.ctx.cancel,
        )  # fmt: skip
        self.look_hangs |= clips.hangs
        self.reasons += [*clips.reasons, *about_damaged(clips.damaged, card)]
        self.notes += [*clips.notes, *odd_when_offloaded(card, self.copies)]

    def _name_copies(self, offloads: Sequence[KnownOffload]) -> None:
        names = {offload.roll_id: offload for offload in offloads}
        for view in self.copies:
            if not view.roll and view.roll_id in names:
                view.roll, view.production = names[view.roll_id].roll, names[view.roll_id].production

    def _taken_over(self, card: CardInHand) -> frozenset[bytes]:
        """Files that a person named and that no copy could hold: hidden by the production, or unreadable just now."""
        faults = self.read.faults.keys() if self.read is not None else frozenset[bytes]()
        granted = set(card.granted)
        return frozenset(path for path in {*card.hidden, *faults} if Subject("path", shown(path)) in granted)

    # --- what a person has said, and what was said before

    def _accepted(self, card: CardInHand) -> None:
        """What is accepted, now that everything that can be is known; a name that means more than one thing keeps the
        card."""
        given = self.request.accepted
        self.accepted = accepted(given, card.subjects)
        blurred = unclear(given, card.subjects)
        self.reasons += [_unclear(each, card) for each in blurred]
        for subject in dict.fromkeys(card.granted):
            if subject not in self.accepted and not accepts((each.given for each in blurred), subject):
                self.reasons.append(_not_meant(subject, card))
        who, why = inert(self.request.person.name), inert(self.request.reason)
        for name in sorted(subject.name for subject in self.accepted):
            text = f"{who} accepts responsibility for {inert(name)}: {why}"
            self.notes.append(warning(Kind.ACCEPTED, text, path=inert(name)))
        for name in unused(given, card.subjects):
            text = f"nothing that can be accepted is called {inert(name)}; a file without copies never can be"
            self.notes.append(warning(Kind.ACCEPTED, text, path=inert(name)))

    def _permits_before(self, card: CardInHand, ledger: Ledger) -> None:
        listing = card.snapshot.listing_digest
        before = ledger.permits_for_card(card.volume.serial, listing)
        same = [permit for permit in before if permit.listing_digest == listing]
        if not before:
            return
        permit = (same or before)[0]
        who = f" to {inert(permit.person.name)}" if permit.person.name else ""
        when = permit.written_at.astimezone().isoformat(sep=" ", timespec="minutes")[:16]
        if same:
            text = f"a permit was given for just this listing on {when}{who}; it is no evidence today"
        else:
            text = f"a permit was given for this card on {when}{who}, for what was on it then: it was used again since"
        self.notes.append(note(Kind.PERMIT_BEFORE, text))

    # --- the end

    def _permit(self, card: CardInHand, ledger: Ledger) -> None:
        written, trouble = write_permits(
            card,
            self.used,
            ledger,
            basis="listing" if self.basis == "listing" else "reread",
            person=self.request.person,
            accepted=sorted(subject.name for subject in self.accepted),
            reason=self.request.reason,
            notes=self.notes,
            now=self.now,
            report=self.notes.append,
            in_time=self._in_time,
        )
        self.permits = written
        if trouble is not None:
            self.reasons.append(trouble)
        elif self.accepted:
            used = {id(view) for view in self.used}
            others = [view for view in self.copies if id(view) not in used]
            self.notes += accept_beside(others, [*self.accepted], self.request, ledger, self._in_time)

    def close(self) -> None:
        """Let go of the card and all copies."""
        close_copies(self.ctx.io, self.copies)
        if self.card is not None and not self.look_hangs:  # else a read that hangs still uses it
            with contextlib.suppress(OSError):
                self.ctx.io.close(self.card.root)


def _unclear(name: Unclear, card: CardInHand) -> Finding:
    """A KEEP for a name that several findings answer to, with all of them."""
    which = ", ".join(inert(subject.name) for subject in name.candidates)
    detail = f"the name {inert(name.given)} is that of {len(name.candidates)} findings: {which}"
    asked = replace(card.asked, names=tuple(each for each in card.asked.names if each != name.given))
    remedy = f"accept each by its whole name: {asked.command(*(subject.name for subject in name.candidates))}"
    return keep(Kind.ACCEPTED, detail, remedy, path=inert(name.given))


def _not_meant(subject: Subject, card: CardInHand) -> Finding:
    """A KEEP for a finding that only a name answers to that is the whole name of another one."""
    detail = f"the name that was given is that of another finding, and {inert(subject.name)} is not accepted by it"
    remedy = f"accept it by its whole name: {card.asked.command(subject.name)}"
    return keep(Kind.ACCEPTED, detail, remedy, path=inert(subject.name))
