"""One card from its snapshot to its verdict, step by step; a copy of a copy does some of the steps its own way."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial

from rollproof.copies.deadline import within
from rollproof.copying.engine import CopyOutcome
from rollproof.drives.interface import Drives
from rollproof.hashing import chosen, proof_algorithm
from rollproof.models.errors import Refused
from rollproof.models.events import Emit, FindingRaised, RollPlanned
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.results import CopyState, RollResult
from rollproof.proof.board import ProofBoard
from rollproof.reading.settings import Settings
from rollproof.records.models import PaceBlock
from rollproof.station.ledger import StationLedger
from rollproof.storage.give_back import give_back_memory
from rollproof.storage.io import Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.workflows.offload.answer import with_answer
from rollproof.workflows.offload.card import CardAtWork, open_card, open_in_time, settle_card
from rollproof.workflows.offload.clip_check import CardLook
from rollproof.workflows.offload.copying import copy_card
from rollproof.workflows.offload.earlier import Earlier, earlier_day
from rollproof.workflows.offload.evidence import EvidenceWriter
from rollproof.workflows.offload.ledger_update import remember_offload
from rollproof.workflows.offload.location import (
    Computer,
    location_findings,
    remember_locations,
    this_computer,
    unknown_computer,
)
from rollproof.workflows.offload.order import Wish
from rollproof.workflows.offload.preflight import ANSWER_SECONDS, Preflight, Wanted, preflight
from rollproof.workflows.offload.result import refused_roll, roll_result
from rollproof.workflows.offload.start import forbids, planned, power_note
from rollproof.workflows.offload.target import DriveAtWork, OffloadDriveWork

_MANY_FILES = 10_000
"""From so many on, memory that is no longer needed is worth looking for."""


class OneCard:
    """One card from its snapshot to its verdict."""

    def __init__(
        self,
        io: Io,
        drives: Drives,
        request: OffloadRequest,
        wish: Wish,
        settings: Settings,
        emit: Emit,
        cancel: Cancel,
        station: StationLedger,
        *,
        look: bool,
    ) -> None:
        self._wants_look = look
        self._look: CardLook | None = None
        self._io = io
        self._drives = drives
        self._request = request
        self._wish = wish
        self._settings = settings
        self._emit = emit
        self._cancel = cancel
        self._station = station
        self._hangs = False
        self._began = time.monotonic()
        self._seconds: dict[str, float] = {}
        self._earlier = Earlier([], [])
        self._computer: Computer | None = None

    def run(self, path: bytes) -> RollResult:
        """Everything for one card; refusals come back as a result."""
        try:
            card = self._open(path)
        except Refused as refusal:
            return self._refused(path, list(refusal.findings))
        try:
            result = self._with_card(card)
        finally:
            if self._look is not None:
                self._look.close()
            if self._look is None or not self._look.hangs:  # else a read that hangs still uses it
                with contextlib.suppress(OSError):
                    self._io.close(card.root)
        del card  # the answer makes a list of the card's files of its own
        self._look = None
        return self._answered(result, path)

    # --- the steps that a copy of a copy does its own way

    def _open(self, path: bytes) -> CardAtWork:
        """The card, opened and listed; Refused as well when its reader does not answer, Interrupted."""
        return open_in_time(
            self._io,
            self._drives,
            path,
            lambda io, drives: self._open_with(io, drives, path),
            self._settings,
            self._cancel,
        )

    def _open_with(self, io: Io, drives: Drives, path: bytes) -> CardAtWork:
        """The opening itself, through an `io` and `drives` that are watched. Raises Refused."""
        return open_card(io, drives, path, self._request, IgnoreRules(self._wish.ignore), self._cancel)

    def _refused(self, path: bytes, findings: Sequence[Finding]) -> RollResult:
        """The result for a card that could not even be listed."""
        return refused_roll(shown(path), self._request.roll or "", findings, self._wish)

    def _forbids(self, finding: Finding) -> bool:
        """Whether a finding of before the start keeps the copying from beginning."""
        return forbids(finding)

    def _hashes(self, card: CardAtWork) -> tuple[str, ...]:
        """The algorithms to compute."""
        return chosen(self._request.hashes or self._wish.hashes)

    def _wanted(self, card: CardAtWork) -> list[Wanted]:
        """Where the roll goes on every drive."""
        wanted = self._wish.destinations(card.roll, card.clips)
        with contextlib.suppress(TimeoutError):  # the preflight names the drive that does not answer
            self._earlier = within(
                ANSWER_SECONDS, partial(earlier_day, self._io, self._wish, card, wanted), self._cancel
            )
            wanted = self._earlier.wanted
        return wanted

    def _production(self, card: CardAtWork) -> str | None:
        """The production that the records are to name."""
        return self._wish.production_name

    def _passes(self, card: CardAtWork) -> int:
        """How often the card is read."""
        return 1 if self._request.single_read else 2

    def _same_time(self, now: int, then: int) -> bool:
        """Whether a file's modification time is still what it was when it was listed."""
        return now == then

    def _done_already(self, card: CardAtWork, checked: Preflight, findings: list[Finding]) -> RollResult | None:
        """The result where nothing is left to be done; None where the card is to be read."""
        return None

    def _board(self, card: CardAtWork, checked: Preflight, algorithms: Sequence[str], proof: str) -> ProofBoard:
        """The board that judges the copies."""
        return ProofBoard(
            card.snapshot.files,
            [at.drive for at in checked.drives],
            algorithms,
            proof,
            accepted=frozenset(self._wish.policy.accepted_evidence),
        )

    def _settle(self, card: CardAtWork, board: ProofBoard, cancel: Cancel) -> Sequence[Finding]:
        """Look at the card after its last read."""
        return settle_card(self._io, self._drives, card, board, cancel)

    def _evidence(
        self,
        io: Io,
        card: CardAtWork,
        board: ProofBoard,
        checked: Preflight,
        source_findings: Callable[[], Sequence[Finding]],
        states: Callable[[str], CopyState],
        pace: Callable[[str], tuple[PaceBlock, ...]],
    ) -> EvidenceWriter:
        """What writes the papers beside each copy."""
        return EvidenceWriter(
            io,
            card,
            board,
            checked.drives,
            self._wish.policy,
            self._request.person,
            self._earlier.day or self._wish.day_text,
            self._request.unit,
            datetime.now().astimezone(),
            source_findings=source_findings,
            states=states,
            look=self._look,
            pace=pace,
        )

    def _drive_work(
        self,
        io: Io,
        at: DriveAtWork,
        card: CardAtWork,
        board: ProofBoard,
        write_evidence: Callable[[DriveAtWork, CopyState], str],
        card_seen_whole: Callable[[], bool],
    ) -> OffloadDriveWork:
        """The work on one drive before and after the copying itself."""
        return OffloadDriveWork(io, at, card.snapshot, card.known_as, board, write_evidence, card_seen_whole)

    def _answered(self, result: RollResult, path: bytes) -> RollResult:
        """The result with the card's answer."""
        if result.files >= _MANY_FILES:
            give_back_memory()  # tables of the copying would lie beside those of the answer
        return with_answer(
            result,
            path,
            io=self._io,
            drives=self._drives,
            request=self._request,
            station=self._station,
            settings=self._settings,
            hangs=self._hangs,
        )

    # --- the way through

    def _with_card(self, card: CardAtWork) -> RollResult:
        self._lap("scan")
        algorithms = self._hashes(card)
        proof = proof_algorithm(algorithms)
        wanted = self._wanted(card)
        checked = preflight(
            self._io,
            self._drives,
            card,
            wanted,
            algorithms=algorithms,
            proof_algorithm=proof,
            policy=self._wish.policy,
            production=self._production(card),
            cancel=self._cancel,
        )
        try:
            located = self._locate(checked)
            self._lap("preflight")
            findings = [
                *card.findings, *self._wish.findings, *self._earlier.findings, *checked.findings, *located,
                *power_note(),
            ]  # fmt: skip
            refused = any(self._forbids(finding) for finding in findings)
            self._emit(self._planned(card, checked))
            for finding in findings:
                self._emit(FindingRaised(card.roll, finding))
            if refused:
                return refused_roll(shown(card.path), card.roll, findings, self._wish, card=card)
            if self._request.dry_run:
                return refused_roll(
                    shown(card.path), card.roll, findings, self._wish, card=card, drives=checked.drives, planned=True
                )
            done = self._done_already(card, checked, findings)
            return done if done is not None else self._copy(card, checked, findings, algorithms, proof)
        finally:
            checked.close(self._io)

    def _locate(self, checked: Preflight) -> list[Finding]:
        """What is to be said of where the destinations lie."""
        if not checked.drives:
            return []
        try:
            self._computer = within(ANSWER_SECONDS, partial(this_computer, self._drives), self._cancel)
        except TimeoutError:
            return [unknown_computer()]
        return location_findings(
            self._computer,
            checked.drives,
            self._wish.production,
            self._station,
            system_disk=self._request.system_disk,
        )

    def _copy(
        self, card: CardAtWork, checked: Preflight, findings: list[Finding], algorithms: Sequence[str], proof: str
    ) -> RollResult:
        if len(card.snapshot.files) >= _MANY_FILES:
            give_back_memory()  # what the look at the drives has left behind
        if self._computer is not None:
            now = datetime.now().astimezone()
            remember_locations(self._computer, checked.drives, self._wish.production, self._station, now)
        board = self._board(card, checked, algorithms, proof)
        if self._wants_look:
            self._look = CardLook(self._io, card, self._emit, stall_seconds=self._settings.stall_seconds)
            self._look.begin(self._cancel)
        outcome = copy_card(
            self._io,
            card,
            checked,
            board,
            self._look,
            settings=self._settings,
            cancel=self._cancel,
            emit=self._emit,
            passes=self._passes(card),
            same_time=self._same_time,
            settle=self._settle,
            evidence=self._evidence,
            drive_work=self._drive_work,
        )
        self._lap("copy and prove")
        return self._result(card, checked, findings, board, outcome)

    def _result(
        self,
        card: CardAtWork,
        checked: Preflight,
        findings: list[Finding],
        board: ProofBoard,
        outcome: CopyOutcome,
    ) -> RollResult:
        about_clips: list[Finding] = []
        if self._look is not None:
            self._look.settle()
            about_clips = self._look.findings()
        findings = [*findings, *self._remember(card, checked, [*findings, *about_clips], board, outcome)]
        self._hangs = outcome.hangs
        if outcome.hangs:
            # a lane that hangs may still use its handles: never close them, their numbers would be used again
            for at in checked.drives:
                at.handle = at.base_handle = -1
        seconds = {**self._seconds, **{name: round(value, 3) for name, value in outcome.seconds.items()}}
        seconds["total"] = round(time.monotonic() - self._began, 3)
        return roll_result(
            card,
            checked.drives,
            findings,
            board,
            outcome,
            self._wish,
            single_read=self._request.single_read,
            seconds=seconds,
            about_clips=about_clips,
        )

    def _remember(
        self,
        card: CardAtWork,
        checked: Preflight,
        findings: list[Finding],
        board: ProofBoard,
        outcome: CopyOutcome,
    ) -> list[Finding]:
        """Tell the station's ledger. It is an index: whatever goes wrong with it is a warning."""
        if outcome.interrupted:
            return []
        told = [*findings, *board.source_findings, *(f for at in checked.drives for f in board.copy_findings(at.drive))]
        self._station.tell(
            lambda ledger: remember_offload(
                ledger,
                self._io,
                card,
                checked.drives,
                board,
                outcome,
                production=self._wish.production_name,
                day=self._earlier.day or self._wish.day_text,
                unit=self._request.unit,
                copies_required=self._wish.policy.copies_required,
                person=self._request.person,
                findings=told,
                now=datetime.now().astimezone(),
                clips=self._look.rows() if self._look is not None else (),
            )
        )
        return self._station.findings()

    def _planned(self, card: CardAtWork, checked: Preflight) -> RollPlanned:
        return planned(card, checked, self._passes(card))

    def _lap(self, name: str) -> None:
        self._seconds[name] = round(time.monotonic() - self._began - sum(self._seconds.values()), 3)
