"""The proof board: what is known of every file and every copy, filled by all legs, judged in one place.

Slots are bytes in arrays, so that 200,000 files on six drives stay small. The rules are those of docs/guarantees.md:
a copy of a file is proven when the card was read twice from the medium with one hash, the copy was flushed under
its final name, and it was read back from the medium with that hash.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from enum import IntEnum, StrEnum

from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import shown
from rollproof.models.source_words import SourceWords
from rollproof.models.texts import TextsByNumber, TextTable
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence
from rollproof.proof.evidence import evidence_of, rank_of
from rollproof.proof.policy import ACCEPTED_EVIDENCE
from rollproof.proof.source_rule import SourceRule, TwoReads


class SourceState(IntEnum):
    """What is known of a file on the card."""

    UNREAD = 0
    READ_ONCE = 1
    READ_TWICE = 2
    READS_DIFFER = 3
    FAULTY = 4


class CopyState(IntEnum):
    """What is known of one copy of a file."""

    NONE = 0
    WRITTEN = 1
    MATCHES = 2
    DIFFERS = 3
    FAULTY = 4
    COVERED = 5
    """A record on this device already proves it; the card's hash must still be the recorded one."""


_WAS_READ = frozenset((SourceState.READ_ONCE, SourceState.READ_TWICE))
_IS_THERE = frozenset((CopyState.WRITTEN, CopyState.MATCHES, CopyState.COVERED))


class BadFile(StrEnum):
    """What is wrong with one file of a copy, the moment it is known."""

    DIFFERS = "differs"
    UNREAD = "unread"


TellBadFile = Callable[[str, int, BadFile], None]
"""Is told the drive (empty: the recorded copy that is copied from) and the file's number."""


def _tell_nobody(drive: str, number: int, what: BadFile) -> None:
    pass


class _Copies:
    """All copies on one drive."""

    __slots__ = ("evidence", "expected", "findings", "pending", "states")

    def __init__(self, count: int) -> None:
        self.states = bytearray(count)
        self.evidence = bytearray(count)
        self.pending: dict[int, str] = {}
        self.expected = TextsByNumber(count)
        self.findings: list[Finding] = []


class ProofBoard:
    """Filled by the legs from any thread.

    `accepted` is the evidence that counts for a copy's read-back; `rule` judges the reads of the source. `tell` hears
    at once of every file of a copy that is not what it should be, in the thread that found it, under no lock.
    """

    def __init__(
        self,
        files: Sequence[FileEntry],
        drives: Iterable[str],
        algorithms: Sequence[str],
        proof_algorithm: str,
        *,
        accepted: frozenset[Evidence] = frozenset(ACCEPTED_EVIDENCE),
        rule: SourceRule | None = None,
        tell: TellBadFile = _tell_nobody,
    ) -> None:
        self._files = files
        self.rule: SourceRule = rule if rule is not None else TwoReads()
        self.algorithms = tuple(algorithms)
        self.proof_algorithm = proof_algorithm
        self._accepted = bytes(rank_of(evidence) for evidence in accepted)
        self._lock = threading.Lock()
        self._tell = tell
        self._hashes = {name: TextTable(len(files)) for name in self.algorithms}
        self._source = bytearray(len(files))
        self._source_evidence = (bytearray(len(files)), bytearray(len(files)))
        self._second: dict[int, str] = {}
        self._copies = {drive: _Copies(len(files)) for drive in drives}
        self.source_findings: list[Finding] = []

    @property
    def words(self) -> SourceWords:
        """What messages call the source."""
        return self.rule.words

    # --- filling

    def source_hashed(self, number: int, texts: dict[str, str], evidence: Evidence) -> None:
        """The first read of a file ended; slow algorithms report on their own, so this may come in parts."""
        read = self.rule.first_read(number, texts, evidence)
        if read.fault is not None:
            self._source_fault(number, read.fault, BadFile.DIFFERS)
            return
        self._first_read(number, texts, read.evidence)
        first = self._text(number)
        if read.settled and first is not None:
            self.source_hashed_again(number, {self.proof_algorithm: first}, Evidence.MEDIUM)

    def _first_read(self, number: int, texts: dict[str, str], evidence: Evidence) -> None:
        differ: list[str] = []
        with self._lock:
            for name, text in texts.items():
                self._hashes[name].set(number, text)
            self._source_evidence[0][number] = max(self._source_evidence[0][number], rank_of(evidence))
            if self._source[number] == SourceState.UNREAD:
                self._source[number] = SourceState.READ_ONCE
            if self.proof_algorithm in texts:
                self._compare_second(number)
                for drive, copies in self._copies.items():
                    if self._compare_copy(drive, copies, number):
                        differ.append(drive)
        for drive in differ:
            self._tell(drive, number, BadFile.DIFFERS)

    def source_hashed_again(self, number: int, texts: dict[str, str], evidence: Evidence) -> None:
        """The second read of a file ended."""
        with self._lock:
            self._source_evidence[1][number] = rank_of(evidence)
            self._second[number] = texts[self.proof_algorithm]
            self._compare_second(number)

    def source_fault(self, number: int, finding: Finding) -> None:
        """A file could not be read, or changed."""
        self._source_fault(number, finding, BadFile.UNREAD)

    def _source_fault(self, number: int, finding: Finding, what: BadFile) -> None:
        if self.rule.reads_once:  # a card is no copy
            self._tell("", number, what)
        with self._lock:
            if self._source[number] != SourceState.FAULTY:
                self._source[number] = SourceState.FAULTY
                self.source_findings.append(finding)

    def written(self, drive: str, number: int) -> None:
        """A copy is flushed and has its final name (or was found there and is to be hashed)."""
        self._copies[drive].states[number] = CopyState.WRITTEN

    def covered(self, drive: str, number: int, expected: str) -> None:
        """A record on this very device proves this copy with this hash (of the proof algorithm). The card may have been
        read before the drive got round to saying so."""
        copies = self._copies[drive]
        with self._lock:
            copies.states[number] = CopyState.COVERED
            copies.expected.set(number, expected)
            self._compare_copy(drive, copies, number)

    def copy_hashed(self, drive: str, number: int, texts: dict[str, str], evidence: Evidence) -> None:
        """A copy was read back."""
        copies = self._copies[drive]
        with self._lock:
            copies.evidence[number] = rank_of(evidence)
            copies.pending[number] = texts[self.proof_algorithm]
            differs = self._compare_copy(drive, copies, number)
        if differs:
            self._tell(drive, number, BadFile.DIFFERS)

    def copy_fault(self, drive: str, number: int, finding: Finding) -> None:
        """A copy could not be made or read back."""
        copies = self._copies[drive]
        with self._lock:
            stood_there = copies.states[number] == CopyState.WRITTEN
            copies.states[number] = CopyState.FAULTY
            copies.findings.append(finding)
        if stood_there:
            self._tell(drive, number, BadFile.UNREAD)

    # --- comparing, under the lock

    def _text(self, number: int) -> str | None:
        return self._hashes[self.proof_algorithm].get(number)

    def _compare_second(self, number: int) -> None:
        first, second = self._text(number), self._second.get(number)
        if first is None or second is None or self._source[number] == SourceState.FAULTY:
            return
        del self._second[number]
        if first == second:
            self._source[number] = SourceState.READ_TWICE
            return
        self._source[number] = SourceState.READS_DIFFER
        name = shown(self._files[number].path)
        self.source_findings.append(
            error(
                Kind.SOURCE_READS_DIFFER,
                f"{self.words.name} gave different content for {name} on its second read; its copies cannot be trusted",
                path=name,
                remedy=f"{self.words.keep}; {self.words.again} (or {self.words.other}), then run the same command"
                " again: that file is copied afresh",
            )
        )

    def _compare_copy(self, drive: str, copies: _Copies, number: int) -> bool:
        """Whether what was read back is found to differ. Where the card gives something else than a record proves, no
        copy was read: that is no news about the copy."""
        first = self._text(number)
        if first is None:
            return False
        expected = copies.expected.get(number)
        if expected is not None and expected != first and copies.states[number] == CopyState.COVERED:
            copies.states[number] = CopyState.DIFFERS
            name = shown(self._files[number].path)
            copies.findings.append(
                error(
                    Kind.DIFFERENT_CONTENT,
                    f"{self.words.name} now gives other content for {name} than the record on the drive proves",
                    path=name,
                    drive=drive,
                    remedy=f"{self.words.keep}; {self.words.again} and run the same command again, or offload under"
                    " another --roll name",
                )
            )
            return False
        back = copies.pending.pop(number, None)
        if back is None or copies.states[number] != CopyState.WRITTEN:
            return False
        if back == first:
            copies.states[number] = CopyState.MATCHES
            return False
        copies.states[number] = CopyState.DIFFERS
        name = shown(self._files[number].path)
        copies.findings.append(
            error(
                Kind.READBACK_DIFFERS,
                f"{name}, read back from the drive, is not what {self.words.name} holds",
                path=name,
                drive=drive,
                remedy="the whole drive is suspect: check its cable, run the same command again (that file is copied"
                " afresh), and take another drive if it happens twice",
            )
        )
        return True

    # --- judging

    def hashes(self, number: int) -> dict[str, str]:
        """Hashes of the first read, all algorithms; empty when it did not come to its end."""
        texts: dict[str, str] = {}
        for name, table in self._hashes.items():
            text = table.get(number)
            if text is None:
                return {}
            texts[name] = text
        return texts

    def _is_hashed(self, number: int) -> bool:
        return all(table.has(number) for table in self._hashes.values())

    def source_text(self, number: int) -> str | None:
        """The hash of a file's first read (proof algorithm); None before it came to its end."""
        with self._lock:
            return self._text(number)

    def source_state(self, number: int) -> SourceState:
        """What is known of a file on the card."""
        return SourceState(self._source[number])

    def unsettled(self) -> list[int]:
        """Files of a source that is read once of which nothing is known but that one read."""
        once = (n for n, state in enumerate(self._source) if state == SourceState.READ_ONCE)
        return [number for number in once if self.rule.needs_second_read(number)]

    def source_is_settled(self) -> bool:
        """Whether nothing of the source has to be read once more before every copy of it can be proven."""
        if self.rule.reads_once:
            return not self.rule.changed and SourceState.FAULTY not in self._source
        if self._source.count(SourceState.READ_TWICE) != len(self._files):
            return False
        return not any(any(ranks) for ranks in self._source_evidence)

    def copy_state(self, drive: str, number: int) -> CopyState:
        """What is known of one copy."""
        return CopyState(self._copies[drive].states[number])

    def copy_findings(self, drive: str) -> list[Finding]:
        """What went wrong with copies on one drive."""
        return self._copies[drive].findings

    def is_proven(self, drive: str, number: int) -> bool:
        """Whether this copy of this file has its whole proof."""
        if self._source[number] != SourceState.READ_TWICE or not self._is_hashed(number):
            return False
        if not self.rule.shows_the_card(number):
            return False
        if self._source_evidence[0][number] or self._source_evidence[1][number]:
            return False  # a pass that a cache may have answered is no pass
        copies = self._copies[drive]
        state = copies.states[number]
        if state == CopyState.COVERED:
            return copies.expected[number] == self._text(number)
        return state == CopyState.MATCHES and copies.evidence[number] in self._accepted

    def is_copied(self, drive: str, number: int) -> bool:
        """Whether this copy is there and nothing speaks against it, proven or not."""
        return self._source[number] in _WAS_READ and self._copies[drive].states[number] in _IS_THERE

    def all_proven(self, drive: str) -> bool:
        """`is_proven` of every file: counted where each is proven by this offload alone, as nearly always."""
        many, copies = len(self._files), self._copies[drive]
        if not self.rule.shows_the_card_throughout():
            return False
        by_itself = (
            self._source.count(SourceState.READ_TWICE) == many
            and copies.states.count(CopyState.MATCHES) == many
            and not any(any(evidence) for evidence in self._source_evidence)
            and sum(copies.evidence.count(rank) for rank in self._accepted) == many
            and all(table.full for table in self._hashes.values())
        )
        return by_itself or all(self.is_proven(drive, number) for number in range(many))

    def none_provable(self) -> bool:
        """Whether no copy on any drive can be proven: no file of the card was read twice from the medium. False where
        that is not seen at once."""
        return (
            SourceState.READ_TWICE not in self._source
            or 0 not in self._source_evidence[0]
            or 0 not in self._source_evidence[1]
        )

    def all_copied(self, drive: str) -> bool:
        """`is_copied` of every file."""
        many, states = len(self._files), self._copies[drive].states
        return (
            sum(self._source.count(state) for state in _WAS_READ) == many
            and sum(states.count(state) for state in _IS_THERE) == many
        )

    def count_proven(self, drive: str) -> int:
        """How many copies have their whole proof."""
        many = len(self._files)
        if self.none_provable():
            return 0
        return many if self.all_proven(drive) else sum(self.is_proven(drive, number) for number in range(many))

    def count_copied(self, drive: str) -> int:
        """How many copies are there with nothing speaking against them, proven or not."""
        many = len(self._files)
        return many if self.all_copied(drive) else sum(self.is_copied(drive, number) for number in range(many))

    def is_to_be_read_back(self, drive: str, number: int) -> bool:
        """Whether this copy stands on the drive and is worth reading. The hashing of the card's first read may lag
        behind the writing, so a source that is not hashed yet is no reason to pass a copy over."""
        return self._copies[drive].states[number] == CopyState.WRITTEN and self._source[number] != SourceState.FAULTY

    def is_suspect(self, drive: str, number: int) -> bool:
        """Whether a file stands under its final name on the drive and must not be trusted."""
        state = self._copies[drive].states[number]
        if state == CopyState.DIFFERS:
            return True
        return state in (CopyState.WRITTEN, CopyState.MATCHES) and self._source[number] in (
            SourceState.READS_DIFFER,
            SourceState.FAULTY,
        )

    def source_evidence(self, which: int) -> Evidence | None:
        """The weakest evidence of pass 0 or 1 over all files that were read to their end in it; of a source that is
        read once there is no second one."""
        if self.rule.reads_once:
            return self.rule.evidence_of_reads() if which == 0 else None
        twice = (SourceState.READ_TWICE, SourceState.READS_DIFFER)
        read = twice if which == 1 else (SourceState.READ_ONCE, *twice)
        if any(map(self._source.count, read)) and not any(self._source_evidence[which]):
            return evidence_of(0)
        ranks = [self._source_evidence[which][i] for i, state in enumerate(self._source) if state in read]
        return evidence_of(max(ranks)) if ranks else None

    def readback_evidence(self, drive: str) -> Evidence | None:
        """The weakest evidence of the read-back over all files read back on a drive."""
        copies = self._copies[drive]
        done = (CopyState.MATCHES, CopyState.DIFFERS)
        if any(map(copies.states.count, done)) and not any(copies.evidence):
            return evidence_of(0)
        ranks = [copies.evidence[i] for i, state in enumerate(copies.states) if state in done]
        return evidence_of(max(ranks)) if ranks else None
