"""Looking at one recorded copy on its drive: its lock, its records, its files' shape, its drive, its content.

It gathers `CopyFacts` and decides nothing: `proof.copy` says which look is owed, and what all of them come to.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rollproof.copies.ledger_update import other_offload_records
from rollproof.copies.location import place_on
from rollproof.copies.reading_journal import ReadingJournal
from rollproof.copies.roll_folder import RollFolder
from rollproof.copies.roll_lock import try_lock
from rollproof.copies.tree_read import TreeToRead, hashes_hold
from rollproof.copying.plan import same_time
from rollproof.hashing import ALGORITHMS, proof_algorithm
from rollproof.ledger.entries import KnownCopy
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import UntrustedInput
from rollproof.models.file_table import FileTable
from rollproof.models.findings import Kind, Severity
from rollproof.models.names import MARKER_NAME, PARTIAL_SUFFIX, RECORDS_FOLDER, shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence, Limits, Volume
from rollproof.proof.copy import judge_copy
from rollproof.proof.copy_facts import (
    Against,
    Answer,
    ContentFacts,
    CopyFacts,
    DriveFacts,
    ListingFacts,
    Look,
    Paths,
    RecordFacts,
)
from rollproof.proof.policy import COPIES_REQUIRED, Rules
from rollproof.proof.readings import Agreement
from rollproof.records.chain import Chain, compare_with_memory, newer_word, newest_word, read_chain
from rollproof.records.newest_words import NOT_LIFTED
from rollproof.records.row_table import RowTable
from rollproof.records.rows import FileRow
from rollproof.records.standing import Standing, accepted_today, standing
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.files import exists, open_below
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import EntryKind, Io

_PROBE_NAME = b"may-wipe-probe" + PARTIAL_SUFFIX
_FULL = (errno.ENOSPC, errno.EDQUOT)


@dataclass(slots=True)
class OpenCopy:
    """The open folder of a copy, and what was read of its history. Whoever opened it closes `handle`, which may be
    reused by nobody once its drive hangs (-1)."""

    path: bytes
    volume: Volume
    handle: int
    chain: Chain | None = None
    standing: Standing | None = None
    rows: Mapping[bytes, FileRow] = field(default_factory=RowTable)


def open_copy(io: Io, places: Sequence[tuple[Volume, bytes]]) -> OpenCopy:
    """The copy's folder through the first of these mounts that shows it. OSError of the last one where none does."""
    trouble: OSError | None = None
    for volume, below in places:
        try:
            return OpenCopy(os.path.join(volume.mount_point, below), volume, _open(io, volume, below))
        except OSError as error:
            trouble = error
    raise trouble or FileNotFoundError(errno.ENOENT, "nothing there")


def _open(io: Io, volume: Volume, below: bytes) -> int:
    top = io.open_root(volume.mount_point)
    try:
        handle = open_below(io, top, below)
        if io.fstat(handle).device != io.fstat(top).device:
            io.close(handle)
            raise OSError(errno.EXDEV, "another file system is mounted inside the folder")
        return handle
    finally:
        io.close(top)


def record_facts(chain: Chain, found: Standing) -> RecordFacts:
    """What records say, as facts."""
    newest, word = found.newest_offload, newest_word(chain)
    return RecordFacts(
        found.state,
        " ".join(found.why),
        found.remedy,
        readback=found.readback,
        copies_required=newest.policy.copies_required if newest is not None else COPIES_REQUIRED,
        offloaded=newest is not None,
        finished=newest is None or newest.copy_.state not in NOT_LIFTED,
        withdrawn=found.withdrawn,
        whole=chain.whole,
        needs_newer=chain.needs_newer,
        newest_word=word.sha256 if word is not None else "",
    )


@dataclass(frozen=True, slots=True)
class Examination:
    """Looks at attached copies for one question. What they hold is compared with what `ledger` remembers.

    `command` is who reads, for the memory of readings. Every look raises what the drive raises; `examine` does not.
    """

    ctx: Context
    ledger: Ledger
    rules: Rules
    wanted: Collection[Look]
    command: str

    def examine(self, copy: OpenCopy, facts: CopyFacts, known: KnownCopy) -> CopyFacts:
        """All facts of a copy, look after look, until one speaks against it or none is owed any more.

        Trouble with the drive or the records is a fact too. Raises LedgerProblem, Interrupted.
        """
        try:
            facts = self._at_once(copy, facts, known)
            while (owed := judge_copy(facts, self.rules, self.wanted).owed) is not None:
                facts = self._look(owed, copy, facts)
        except OSError as error:
            facts = replace(facts, unreadable=said(error))
        except UntrustedInput as problem:
            facts = replace(facts, bad_records=problem.message)
        return facts

    def _at_once(self, copy: OpenCopy, facts: CopyFacts, known: KnownCopy) -> CopyFacts:
        io = self.ctx.io
        if not try_lock(io, copy.handle):
            return replace(facts, locked=True)
        if exists(io, copy.handle, MARKER_NAME) is not None:
            return replace(facts, unfinished=True)
        chain = copy.chain = read_chain(io, copy.handle, drive=facts.drive)
        here, accepted = place_on(copy.volume, copy.path), accepted_today(chain, self.rules)
        found = copy.standing = standing(io, copy.handle, chain, copy.volume, accepted=accepted, folder=here)
        remembered = self.ledger.digests_of(known.id)
        lost = [each for each in compare_with_memory(chain, remembered) if each.severity is Severity.ERROR]
        foreign = None
        if any(each.kind is Kind.CHAIN_BROKEN for each in lost):
            at = RollFolder(io, copy.handle, copy.path, copy.volume, facts.drive)
            others = other_offload_records(self.ledger, chain, at)
            foreign = next((Against(f"{other.path}: {other.detail}", other.remedy) for other in others), None)
        assert facts.memory is not None
        memory = replace(facts.memory, lost=lost[0].detail if lost else "", newer_word=newer_word(chain, remembered))
        copy.rows = found.files()
        return replace(facts, memory=memory, records=replace(record_facts(chain, found), foreign=foreign))

    def _look(self, owed: Look, copy: OpenCopy, facts: CopyFacts) -> CopyFacts:
        if owed is Look.LISTING:
            return replace(facts, listing=first_fault(self.ctx.io, copy.handle, copy.rows, copy.volume.limits))
        if owed is Look.DRIVE:
            return replace(facts, answer=self._answer(copy, facts))
        return replace(facts, content=self._content(copy, facts))

    # --- the drive

    def _answer(self, copy: OpenCopy, facts: CopyFacts) -> DriveFacts:
        """A small file written and flushed there just now; on a read-only volume its records from the medium."""
        if copy.volume.read_only:
            return self._records_from_medium(copy, facts)
        try:
            _write_small_file(self.ctx.io, copy.handle)
        except OSError as error:
            if error.errno in _FULL:
                return DriveFacts(Answer.FULL)
            if error.errno == errno.EROFS:
                return DriveFacts(Answer.TURNED_READ_ONLY)
            return DriveFacts(Answer.REFUSES, said(error))
        return DriveFacts(Answer.TAKES)

    def _records_from_medium(self, copy: OpenCopy, facts: CopyFacts) -> DriveFacts:
        io = self.ctx.io
        entries: list[FileEntry] = []
        digests: dict[bytes, str] = {}
        records = io.open_folder(RECORDS_FOLDER, copy.handle)
        try:
            for link in copy.chain.links if copy.chain is not None else ():
                name = link.name.encode("ascii")
                found = io.stat(name, records)
                entries.append(FileEntry(name, found.size, found.modified_ns))
                digests[name] = link.sha256
            tree = TreeToRead(records, entries, copy.volume, facts.drive)
            agrees = hashes_hold(self.ctx, tree, "sha256", digests.__getitem__, self.rules.accepted)
        finally:
            io.close(records)
        answers = {Agreement.HOLDS: Answer.GIVES, Agreement.DIFFERS: Answer.RECORDS_DIFFER}
        return DriveFacts(answers.get(agrees, Answer.RECORDS_NOT_SHOWN))

    # --- the content

    def _content(self, copy: OpenCopy, facts: CopyFacts) -> ContentFacts:
        by_algorithm: dict[str, FileTable] = {}
        for path, row in copy.rows.items():
            known = [name for name in row.hashes if name in ALGORITHMS]
            if not known:
                return ContentFacts(None, unhashed=shown(path))
            by_algorithm.setdefault(proof_algorithm(known), FileTable()).add(path, row.size, row.modified_ns)
        journal = ReadingJournal(self.ctx.station, self.command)
        reading = journal.begin(copy.volume, place_on(copy.volume, copy.path), facts.drive)
        assert copy.chain is not None
        reading.saw(copy.chain)
        found = [
            hashes_hold(
                self.ctx,
                TreeToRead(copy.handle, group, copy.volume, facts.drive),
                algorithm,
                _recorded(copy.rows, algorithm),
                self.rules.accepted,
                reading,
            )
            for algorithm, group in by_algorithm.items()
        ]
        all_hold = all(each is Agreement.HOLDS for each in found)
        reading.finish(everything=all_hold, evidence=Evidence.MEDIUM if all_hold else Evidence.CACHE)
        trouble = next((Against(odd.detail, odd.remedy) for odd in reading.trouble()), None)
        worst = (Agreement.DIFFERS, Agreement.UNREAD, Agreement.NOT_SHOWN, Agreement.HOLDS)
        return ContentFacts(next((each for each in worst if each in found), Agreement.HOLDS), unremembered=trouble)


def first_fault(io: Io, handle: int, rows: Mapping[bytes, FileRow], limits: Limits) -> ListingFacts:
    """Whether every recorded file is there at its size and date, up to the first that is not."""
    folders = FolderHandles(io, handle)
    here = 0
    try:
        for path, row in rows.items():
            folder, _, name = path.rpartition(b"/")
            try:
                there = io.stat(name, folders.handle(folder))
            except OSError as error:
                return ListingFacts(len(rows), here, missing=Paths(1, shown(path), said(error)))
            here += 1
            if there.kind is not EntryKind.FILE or there.size != row.size:
                return ListingFacts(len(rows), here, differ=Paths(1, shown(path)))
            if not same_time(there.modified_ns, row.modified_ns, limits):
                return ListingFacts(len(rows), here, redated=Paths(1, shown(path)))
    finally:
        folders.close()
    return ListingFacts(len(rows), here)


def _recorded(rows: Mapping[bytes, FileRow], algorithm: str) -> Callable[[bytes], str]:
    return lambda path: rows[path].hashes[algorithm]


def _write_small_file(io: Io, roll_folder: int) -> None:
    records = io.open_folder(RECORDS_FOLDER, roll_folder)
    try:
        with contextlib.suppress(FileNotFoundError):
            io.remove(_PROBE_NAME, records)
        handle = io.create(_PROBE_NAME, records, direct=False)
        try:
            if io.write_from(handle, memoryview(b"answers\n"), 0) != 8:
                raise OSError(errno.ENOSPC, "the drive took only a part of a small file")
            io.flush(handle)
        finally:
            io.close(handle)
            with contextlib.suppress(OSError):
                io.remove(_PROBE_NAME, records)
    finally:
        io.close(records)
