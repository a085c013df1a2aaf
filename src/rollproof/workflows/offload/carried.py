"""The histories of a recorded copy on their way to another drive."""

from __future__ import annotations

from dataclasses import dataclass

from rollproof.ascmhl.model import Generation, History
from rollproof.copies.inner_history import InnerSets, with_inner
from rollproof.records.chain import Chain
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.offload.recorded_history import carry_papers
from rollproof.workflows.offload.target import DriveAtWork


@dataclass(frozen=True, slots=True)
class Carried:
    """Both histories of the open roll folder `root`, as they were read before the copying began; `inner` are the data
    sets inside it with histories of their own."""

    root: int
    chain: Chain
    history: History
    inner: tuple[bytes, ...]

    def onto(self, io: Io, at: DriveAtWork, medium: MediumAccess) -> None:
        """Copy both, byte for byte, before anything is appended. Raises UntrustedInput where one has changed meanwhile,
        OSError when a drive fails."""
        carry_papers(io, self.root, at.handle, chain=self.chain, history=self.history, medium=medium)
        if at.records_read.items() <= self.chain.digests.items():
            # records that were all carried here, or came along with the folder, founded the source: this copy is new
            at.records_read, at.founded_by = at.records_read or self.chain.digests, None

    def with_inner(self, io: Io, at: DriveAtWork, generation: Generation) -> Generation:
        """The generation with what it says of the histories inside."""
        return with_inner(generation, InnerSets(io, at.handle, self.inner), self.inner) if self.inner else generation
