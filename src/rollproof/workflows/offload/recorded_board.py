"""The proof board of a copy of a copy: what was recorded of a file stands for the second read of its card.

The same bytes that are written to every drive are hashed and compared with the roll's own history. Where they agree
nothing more is to be learnt from the source; where they differ, the file has changed since it was recorded, and no copy
of it is worth anything.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence

from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.reads import Reads
from rollproof.models.source_words import RECORDED_COPY
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence
from rollproof.proof.board import ProofBoard, SourceState
from rollproof.proof.evidence import weakest


class CopyBoard(ProofBoard):
    """`recorded` gives what a file must hash to (empty: nothing is recorded of it), `originals` whether the records
    show that this was read twice from the card; without that no copy of it gets better than copied.

    `reads` is what the source gave, `changed` the numbers of the files that are not as recorded.
    """

    words = RECORDED_COPY

    def __init__(
        self,
        files: Sequence[FileEntry],
        drives: Iterable[str],
        algorithms: Sequence[str],
        proof_algorithm: str,
        *,
        accepted: frozenset[Evidence],
        recorded: Callable[[int], Mapping[str, str]],
        originals: Sequence[int],
    ) -> None:
        super().__init__(files, drives, algorithms, proof_algorithm, accepted=accepted)
        self._entries = files
        self._recorded = recorded
        self._originals = originals
        self._judging = threading.Lock()
        self._agrees = bytearray(len(files))
        self._evidence_of_reads: set[Evidence] = set()
        self.reads = Reads(files)
        self.changed: set[int] = set()

    def source_hashed(self, number: int, texts: dict[str, str], evidence: Evidence) -> None:
        """Some hashes of a file's one read; slow algorithms come on their own."""
        recorded = self._recorded(number)
        shared = texts.keys() & recorded.keys()
        good = all(texts[name] == recorded[name] for name in shared)
        with self._judging:
            self._evidence_of_reads.add(evidence)
            self.reads.add(number, {**self.reads.texts(number), **texts})
            self._agrees[number] |= bool(shared) and good
            if not good:
                self.changed.add(number)
        if not good:
            self.source_fault(number, self._is_changed(number))
            return
        # bytes with the recorded hash are the recorded ones, however they were read
        super().source_hashed(number, texts, Evidence.MEDIUM if recorded else evidence)
        first = self._text(number)
        if self._agrees[number] and first is not None:
            self.source_hashed_again(number, {self.proof_algorithm: first}, Evidence.MEDIUM)

    def is_proven(self, drive: str, number: int) -> bool:
        """Whether this copy of this file has its whole proof, back to the card."""
        return bool(self._originals[number]) and super().is_proven(drive, number)

    def all_proven(self, drive: str) -> bool:
        """`is_proven` of every file."""
        return all(self._originals) and super().all_proven(drive)

    def source_evidence(self, which: int) -> Evidence | None:
        """The weakest evidence of the one read of the source; there is no second pass over it."""
        return weakest(sorted(self._evidence_of_reads)) if which == 0 else None

    def read_whole(self, number: int) -> bool:
        """Whether a file was read to its end, whatever it held."""
        return number in self.reads

    def unknown_numbers(self) -> list[int]:
        """Files that were read once, and of which nothing is recorded."""
        return [
            number
            for number in range(len(self._entries))
            if self.source_state(number) is SourceState.READ_ONCE and not self._recorded(number)
        ]

    def _is_changed(self, number: int) -> Finding:
        name = shown(self._entries[number].path)
        return Finding(
            Kind.DIFFERS,
            Severity.ERROR,
            name,
            f"{name} has changed since it was recorded: it is not passed on",
            remedy="keep every copy of this roll; copy it from another copy, and verify the one at hand",
        )
