"""One drive's side of a copy of a copy: nothing stands there that changed, and both histories go along."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rollproof.ascmhl.model import Generation
from rollproof.copies.inner_history import InnerSets, with_inner
from rollproof.copying.plan import Action
from rollproof.models.results import CopyState
from rollproof.proof.board import CopyState as BoardState
from rollproof.records.blocks import source_block
from rollproof.records.models import SourceBlock
from rollproof.storage.files import flush_folder
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import Io
from rollproof.workflows.offload.evidence import EvidenceWriter
from rollproof.workflows.offload.recorded_board import CopyBoard
from rollproof.workflows.offload.recorded_history import carry_papers
from rollproof.workflows.offload.recorded_source import CopyAtWork
from rollproof.workflows.offload.target import DriveAtWork, OffloadDriveWork


@dataclass(slots=True)
class CopyEvidence(EvidenceWriter):
    """Both histories of the source, byte for byte; then a `transfer` generation, and an `offload` record whose source
    is a copy, chained on them."""

    def __call__(self, at: DriveAtWork, state: CopyState) -> str:
        """As `EvidenceWriter`; UntrustedInput too when a paper of the source has changed meanwhile."""
        copy = self._copy_at_work
        chain = copy.papers.chain
        carry_papers(self.io, copy.root, at.handle, chain=chain, history=copy.papers.history, medium=self._medium(at))
        if not at.records_read:
            at.records_read = chain.digests
        return EvidenceWriter.__call__(self, at, state)

    @property
    def _copy_at_work(self) -> CopyAtWork:
        assert isinstance(self.card, CopyAtWork)
        return self.card

    def _source(self) -> SourceBlock:
        copy = self._copy_at_work
        return source_block(
            copy.volume,
            reads=self._reads(),
            listing_digest=copy.snapshot.listing_digest,
            copy_folder=copy.folder_on_volume,
        )

    def _with_inner(self, at: DriveAtWork, generation: Generation) -> Generation:
        inner = self._copy_at_work.inner
        return with_inner(generation, InnerSets(self.io, at.handle, inner), inner) if inner else generation


class CopyDriveWork(OffloadDriveWork):
    """`OffloadDriveWork` for a copy of a copy."""

    def __init__(
        self,
        io: Io,
        at: DriveAtWork,
        copy: CopyAtWork,
        board: CopyBoard,
        write_evidence: Callable[[DriveAtWork, CopyState], str],
        card_seen_whole: Callable[[], bool],
    ) -> None:
        super().__init__(io, at, copy.snapshot, copy.known_as, board, write_evidence, card_seen_whole)
        self._source = copy
        self._copies = board

    def seal(self) -> str:
        """What turned out to have changed on the source gets no final name here; then as for a card."""
        self._take_away_changed()
        return super().seal()

    def state(self) -> CopyState:
        """As for a card, and never whole where the source has not all that is recorded of the roll."""
        if self._source.lacking and not self._at.all_covered:
            return "incomplete"
        return super().state()

    def _take_away_changed(self) -> None:
        """Only what this very run wrote is taken away: the file is still on the source, as bad as it is."""
        at, io, board = self._at, self._io, self._copies
        written = (BoardState.WRITTEN, BoardState.MATCHES)
        numbers = [
            number
            for number in sorted(board.changed)
            if at.plan.actions[number] == Action.COPY and board.copy_state(at.drive, number) in written
        ]
        if not numbers:
            return
        folders = FolderHandles(io, at.handle)
        try:
            for number in numbers:
                folder, _, name = self._source.snapshot.files[number].path.rpartition(b"/")
                parent = folders.handle(folder)
                io.remove(name, parent)
                flush_folder(io, parent)
        finally:
            folders.close()
