"""Copying recorded copies on: a roll, a day or a whole production, to any number of drives at once.

Each roll goes the way of a card, with four differences. Every file is compared with the roll's own history from the
same read that feeds the drives, so one read is enough, and a file that has changed is never passed on. Both histories
are carried along before anything is appended. The folder structure is kept. And there is no card to be wiped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from rollproof.copies.recorded_tree import RecordedSet, RecordedTree
from rollproof.copying.engine import CopyOutcome
from rollproof.drives.interface import Drives
from rollproof.hashing import chosen
from rollproof.models.errors import Interrupted, UsageProblem
from rollproof.models.events import Emit, RollPlanned
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.results import CopyState, RollResult
from rollproof.proof.board import ProofBoard
from rollproof.reading.buffers import BufferPool
from rollproof.reading.hashpass import HashPass
from rollproof.reading.parcels import Stopped
from rollproof.reading.settings import Settings
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.records.models import PaceBlock
from rollproof.station.ledger import StationLedger
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.offload.card import CardAtWork
from rollproof.workflows.offload.card_run import OneCard
from rollproof.workflows.offload.evidence import EvidenceWriter
from rollproof.workflows.offload.order import Wish
from rollproof.workflows.offload.preflight import Preflight, Wanted
from rollproof.workflows.offload.recorded_board import CopyBoard
from rollproof.workflows.offload.recorded_evidence import CopyDriveWork, CopyEvidence
from rollproof.workflows.offload.recorded_outer import write_outer_histories
from rollproof.workflows.offload.recorded_remember import remember_copies, remember_source
from rollproof.workflows.offload.recorded_source import CopyAtWork, open_copy
from rollproof.workflows.offload.recorded_verify import stands_proven, verified_source
from rollproof.workflows.offload.result import done_result, refused_roll
from rollproof.workflows.offload.start import forbids
from rollproof.workflows.offload.target import DriveAtWork, OffloadDriveWork

_COPIED_AROUND = frozenset((Kind.DIFFERS, Kind.MISSING, Kind.NOT_FINISHED, Kind.NOT_PROVEN, Kind.UNKNOWN_FILE))
"""What is wrong with single files of a source, or with the offload it came from: the rest is still copied."""


class CopyRun:
    """Copies whole trees of recorded rolls, one roll after the other. `findings` are about no single roll, `not_begun`
    counts those that an early end left out."""

    def __init__(
        self,
        io: Io,
        drives: Drives,
        request: OffloadRequest,
        wish: Wish,
        settings: Settings,
        emit: Emit,
        cancel: Cancel,
        *,
        look: bool,
    ) -> None:
        self._look = look
        self._io = io
        self._drives = drives
        self._request = request
        self._wish = wish
        self._settings = settings
        self._emit = emit
        self._cancel = cancel
        self.findings: list[Finding] = []
        self.not_begun = 0

    def run(self, tree: RecordedTree, station: StationLedger, results: list[RollResult]) -> None:
        """Copy every roll of a tree; a result for each is added to `results`. Raises UsageProblem, Interrupted."""
        self._check_request(tree)
        self.findings += tree.findings
        rolls = tree.rolls
        done: dict[bytes, RollResult] = {}
        for number, found in enumerate(rolls):
            if self._cancel.is_set():
                self.not_begun += len(rolls) - number
                return
            one = _OneCopy(
                self._io,
                self._drives,
                self._request,
                self._wish,
                self._settings,
                self._emit,
                self._cancel,
                station,
                look=self._look,
            )
            try:
                result = one.run_copy(tree, found, number + 1, len(rolls))
            except Interrupted:
                self.not_begun += len(rolls) - number
                if results:
                    return
                raise
            done[found.folder] = result
            results.append(result)
        if not self._request.dry_run and not self._cancel.is_set():
            self.findings += write_outer_histories(
                self._io, self._drives, tree, self._wish.targets, done, self._request.person
            )

    def _check_request(self, tree: RecordedTree) -> None:
        if self._request.roll is not None:
            raise UsageProblem(
                f"{shown(tree.path)} is a recorded copy: its roll keeps the name that its records give it",
                hint="leave out --roll; to copy it beside another roll of this name, name another folder with --to",
            )
        if len(tree.rolls) > 1 and (self._request.expect_clips, self._request.expect_last) != (None, None):
            raise UsageProblem(
                f"{shown(tree.path)} holds {len(tree.rolls):,} rolls: what a camera report says is of one",
                hint="name one roll, or leave out --expect-clips and --expect-last",
            )


class _OneCopy(OneCard):
    """One recorded copy from its papers to its verdict."""

    def run_copy(self, tree: RecordedTree, found: RecordedSet, number: int, total: int) -> RollResult:
        """Everything for one roll; refusals come back as a result."""
        self._tree, self._set, self._number, self._total = tree, found, number, total
        self._started_at = self._now()
        return self.run(tree.path_of(found.folder))

    # --- the steps that are other than a card's

    def _open_with(self, io: Io, drives: Drives, path: bytes) -> CardAtWork:
        copy = open_copy(io, drives, self._tree, self._set, self._request, self._cancel, self._station)
        theirs, ours = self._production(copy), self._wish.production_name
        if theirs is not None and ours is not None and theirs != ours:
            copy.findings.append(
                Finding(
                    Kind.OTHER_PRODUCTION,
                    Severity.ERROR,
                    shown(path),
                    f"this roll is of the production {inert(theirs)}, the production file of {inert(ours)}",
                    remedy="name the right production file with --production, or work in a folder without one",
                )
            )
        return copy

    def _refused(self, path: bytes, findings: Sequence[Finding]) -> RollResult:
        return refused_roll(shown(path), shown(path.rpartition(b"/")[2]), findings, self._wish, kind="copy")

    def _forbids(self, finding: Finding) -> bool:
        return forbids(finding) and (bool(finding.drive) or finding.kind not in _COPIED_AROUND)

    def _hashes(self, card: CardAtWork) -> tuple[str, ...]:
        return chosen(_copy(card).algorithms(self._request.hashes or self._wish.hashes))

    def _wanted(self, card: CardAtWork) -> list[Wanted]:
        relative = self._tree.placed(self._set.folder, card.volume.mount_point)
        return [Wanted(drive, role, base, relative) for drive, role, base in self._wish.targets]

    def _production(self, card: CardAtWork) -> str | None:
        newest = _copy(card).newest
        return newest.production if newest is not None else None

    def _passes(self, card: CardAtWork) -> int:
        return 1

    def _same_time(self, now: int, then: int) -> bool:
        """`then` is what was recorded, not what the source shows: the content tells."""
        return True

    def _done_already(self, card: CardAtWork, checked: Preflight, findings: list[Finding]) -> RollResult | None:
        """Where a record on every drive proves what is recorded at the source, there is nothing to be read."""
        copy = _copy(card)
        if copy.unknown or copy.lacking or not checked.drives or not all(at.all_covered for at in checked.drives):
            return None
        for at in checked.drives:
            for number, text in at.plan.expected.items():
                if text not in copy.recorded(number).values():
                    return None
            at.record_name = at.proven_by
        copy.counts = stands_proven(self._io, copy)
        self._station.tell(lambda ledger: remember_copies(ledger, self._io, checked.drives, {}, self._now()))
        seconds = {**self._seconds, "total": round(sum(self._seconds.values()), 3)}
        return done_result(copy, checked.drives, [*findings, *self._station.findings()], self._wish, seconds)

    def _board(self, card: CardAtWork, checked: Preflight, algorithms: Sequence[str], proof: str) -> ProofBoard:
        copy = _copy(card)
        return CopyBoard(
            copy.snapshot.files,
            [at.drive for at in checked.drives],
            algorithms,
            proof,
            accepted=frozenset(self._wish.policy.accepted_evidence),
            recorded=copy.recorded,
            originals=copy.originals,
        )

    def _settle(self, card: CardAtWork, board: ProofBoard, cancel: Cancel) -> Sequence[Finding]:
        """What nothing is recorded of is read a second time; of all else the history has told enough."""
        copy = _copy(card)
        assert isinstance(board, CopyBoard)
        numbers = board.unknown_numbers()
        if not numbers:
            return []
        reader = TreeReader(
            self._io,
            copy.root,
            copy.snapshot.files,
            MediumAccess(self._io, copy.volume.way, copy.volume.source, at_once=self._settings.files_on(copy.volume)),
            self._settings,
            same_time=self._same_time,
            words=board.words,
        )
        try:
            HashPass(
                BufferPool(self._settings.block_bytes),
                reader,
                (board.proof_algorithm,),
                self._settings,
                stop_asked=cancel.is_set,
                name="unknown again",
                depth=self._settings.reads_on(copy.volume.device, self._settings.pass_depth),
            ).run(numbers, board.source_hashed_again, board.source_fault)
        except Stopped:
            raise Interrupted("Stopped while reading the source.") from None
        except TreeLost as lost:
            for number in numbers:
                board.source_fault(number, lost.finding)
        return []

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
        newest = _copy(card).newest
        return CopyEvidence(
            io,
            card,
            board,
            checked.drives,
            self._wish.policy,
            self._request.person,
            newest.day if newest is not None else self._request.day,
            newest.unit if newest is not None else self._request.unit,
            self._now(),
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
        assert isinstance(board, CopyBoard)
        return CopyDriveWork(io, at, _copy(card), board, write_evidence, card_seen_whole)

    def _remember(
        self,
        card: CardAtWork,
        checked: Preflight,
        findings: list[Finding],
        board: ProofBoard,
        outcome: CopyOutcome,
    ) -> list[Finding]:
        """The source learns what was seen of it, and the ledger of all copies."""
        if outcome.interrupted or outcome.hangs:
            return []
        copy = _copy(card)
        assert isinstance(board, CopyBoard)
        told: list[Finding] = []
        if outcome.source_failure is None:
            source = verified_source(self._io, copy, board, self._started_at, self._request.person)
            told += source.findings
            self._station.tell(lambda ledger: remember_source(ledger, self._io, copy, source, self._now()))
            copy.counts = stands_proven(self._io, copy)
        lanes = {lane.drive: lane for lane in outcome.lanes}
        self._station.tell(lambda ledger: remember_copies(ledger, self._io, checked.drives, lanes, self._now()))
        return [*told, *self._station.findings()]

    def _planned(self, card: CardAtWork, checked: Preflight) -> RollPlanned:
        plan = super()._planned(card, checked)
        return replace(plan, of_copy=True, number=self._number, total=self._total)

    def _answered(self, result: RollResult, path: bytes) -> RollResult:
        """There is no card that could be wiped."""
        return result

    def _now(self) -> datetime:
        return datetime.now().astimezone()


def _copy(card: CardAtWork) -> CopyAtWork:
    assert isinstance(card, CopyAtWork)
    return card
