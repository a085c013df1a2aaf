"""What the source of an offload has to show before a copy of it can be proven: two rules, one for each kind of source.

A card holds the only copy: it is read twice, and both reads must agree. A recorded copy is compared with its own
history from the one read that feeds the drives: what was recorded stands for the second read of the card.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Protocol

from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.reads import Reads
from rollproof.models.source_words import CARD, RECORDED_COPY, SourceWords
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence
from rollproof.proof.evidence import weakest


@dataclass(frozen=True, slots=True)
class FirstRead:
    """What the first read of a file shows. `fault` says that the file must not be passed on. `settled` says that
    nothing more has to be read: what is known of the file agrees with it."""

    evidence: Evidence
    settled: bool = False
    fault: Finding | None = None


class SourceRule(Protocol):
    """Judges the reads of a source. Called from any thread, one call per file at a time."""

    @property
    def words(self) -> SourceWords:
        """What messages call the source."""
        ...

    @property
    def changed(self) -> Set[int]:
        """Numbers of the files that are not as they were recorded; none where nothing is recorded."""
        ...

    @property
    def reads_once(self) -> bool:
        """Whether one read is all there is of most files."""
        ...

    def first_read(self, number: int, texts: Mapping[str, str], evidence: Evidence) -> FirstRead:
        """Judge some hashes of a file's first read; slow algorithms come on their own."""
        ...

    def evidence_of_reads(self) -> Evidence | None:
        """The weakest evidence of the reads, where the rule keeps it (`reads_once`)."""
        ...

    def shows_the_card(self, number: int) -> bool:
        """Whether what is known of a file is known to be what the card held."""
        ...

    def shows_the_card_throughout(self) -> bool:
        """`shows_the_card` of every file."""
        ...

    def needs_second_read(self, number: int) -> bool:
        """Whether a file of a source that is read once has to be read again, because nothing is known of it."""
        ...


class TwoReads:
    """The rule for a card: whatever it gives is the card's, and two reads tell whether it gave it right."""

    words = CARD
    changed: Set[int] = frozenset()
    reads_once = False

    def first_read(self, number: int, texts: Mapping[str, str], evidence: Evidence) -> FirstRead:
        """As `SourceRule.first_read`."""
        return FirstRead(evidence)

    def evidence_of_reads(self) -> Evidence | None:
        """As `SourceRule.evidence_of_reads`: the board keeps it for each file and read."""
        return None

    def shows_the_card(self, number: int) -> bool:
        """As `SourceRule.shows_the_card`."""
        return True

    def shows_the_card_throughout(self) -> bool:
        """As `SourceRule.shows_the_card_throughout`."""
        return True

    def needs_second_read(self, number: int) -> bool:
        """As `SourceRule.needs_second_read`: the second read of a card is of all files."""
        return False


class OneReadAgainstHistory:
    """The rule for a recorded copy.

    `recorded` gives what a file must hash to (empty: nothing is recorded of it). `originals` has one byte for each
    file: whether the records show that this was read twice from the card; without that no copy of it gets better than
    copied. `reads` is what the source gave.
    """

    words = RECORDED_COPY
    reads_once = True

    def __init__(
        self, files: Sequence[FileEntry], recorded: Callable[[int], Mapping[str, str]], originals: Sequence[int]
    ) -> None:
        self._files = files
        self._recorded = recorded
        self._originals = originals
        self._judging = threading.Lock()
        self._agrees = bytearray(len(files))
        self._evidence: set[Evidence] = set()
        self._changed: set[int] = set()
        self.reads = Reads(files)

    @property
    def changed(self) -> Set[int]:
        """As `SourceRule.changed`."""
        return self._changed

    def first_read(self, number: int, texts: Mapping[str, str], evidence: Evidence) -> FirstRead:
        """As `SourceRule.first_read`. Bytes with the recorded hash are the recorded ones, however they were read."""
        recorded = self._recorded(number)
        shared = texts.keys() & recorded.keys()
        good = all(texts[name] == recorded[name] for name in shared)
        with self._judging:
            self._evidence.add(evidence)
            self.reads.add(number, {**self.reads.texts(number), **texts})
            self._agrees[number] |= bool(shared) and good
            if not good:
                self._changed.add(number)
        if not good:
            return FirstRead(evidence, fault=self._is_changed(number))
        return FirstRead(Evidence.MEDIUM if recorded else evidence, settled=bool(self._agrees[number]))

    def evidence_of_reads(self) -> Evidence | None:
        """As `SourceRule.evidence_of_reads`."""
        return weakest(self._evidence)

    def shows_the_card(self, number: int) -> bool:
        """As `SourceRule.shows_the_card`."""
        return bool(self._originals[number])

    def shows_the_card_throughout(self) -> bool:
        """As `SourceRule.shows_the_card_throughout`."""
        return all(self._originals)

    def needs_second_read(self, number: int) -> bool:
        """As `SourceRule.needs_second_read`."""
        return not self._recorded(number)

    def _is_changed(self, number: int) -> Finding:
        name = shown(self._files[number].path)
        return Finding(
            Kind.DIFFERS,
            Severity.ERROR,
            name,
            f"{name} has changed since it was recorded: it is not passed on",
            remedy="keep every copy of this roll; copy it from another copy, and verify the one at hand",
        )
