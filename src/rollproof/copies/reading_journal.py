"""Bad news is put down in this station's memory the moment it is known: one place, used by every reading of copies.

Before the first byte of a copy is read, the ledger says that it is being read; what is found wrong goes there at once,
before any record on the drive and whatever happens next. So an error, a drive that hangs, Ctrl-C and `kill -9` leave
what was known until then.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection
from datetime import datetime

from rollproof.ledger.entries import BadNews, CopyState, DriveIdentity, ReadingNote
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import RollproofError
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.policy import ACCEPTED_EVIDENCE
from rollproof.proof.readings import Effect, ReadingFacts, effect_of, trouble_is_an_error
from rollproof.records.chain import Chain, newest_word
from rollproof.station.ledger import StationLedger

ACCEPTED = frozenset(ACCEPTED_EVIDENCE)
_ONE_BY_ONE = 20
"""So many files are put down each by itself; how many more there are is told at the end."""


class ReadingJournal:
    """What one command reads. Safe for several threads: none of its calls touches a drive."""

    def __init__(self, station: StationLedger, command: str) -> None:
        self._station = station
        self._command = command
        self._lock = threading.Lock()
        self._open: list[Reading] = []

    def begin(self, volume: Volume, folder: bytes, drive: str, *, command: str = "") -> Reading:
        """What lies in this folder of the volume is about to be read, by this journal's command unless it is given."""
        return self._begin(Reading(self, DriveIdentity.of(volume), folder, drive, command or self._command))

    def _begin(self, reading: Reading) -> Reading:
        reading.put_down()
        with self._lock:
            self._open.append(reading)
        return reading

    def drive_lost(self, volume: Volume, folder: bytes, drive: str, why: str) -> list[Finding]:
        """A drive did not answer, or could not be read, before any copy in this folder could be told. Returns what
        could not be remembered."""
        return self.lost_at(DriveIdentity.of(volume), folder, drive, why)

    def lost_at(self, identity: DriveIdentity, folder: bytes, drive: str, why: str) -> list[Finding]:
        """As `drive_lost`, for a volume of which only its identity is known."""
        known: list[bytes] = []

        def copies(ledger: Ledger) -> None:
            known.extend(dict.fromkeys(copy.folder for copy in ledger.copies_on(identity)))

        trouble = self.write(copies)
        hit = [place for place in known if is_in(place, folder) or is_in(folder, place)]
        lost = [self._begin(Reading(self, identity, place, drive, self._command)) for place in hit]
        for reading in lost:
            reading.lost(why)
        return [not_remembered(drive, trouble)] if trouble else [odd for each in lost for odd in each.trouble()]

    def all_silent(self, why: str) -> list[Finding]:
        """Nothing that is being read answers any more. Returns what could not be remembered."""
        with self._lock:
            left = list(self._open)
        for reading in left:
            reading.lost(why)
        return [finding for reading in left for finding in reading.trouble()]

    def told(self) -> str:
        """What was found in readings that are not finished, for a sentence; empty when nothing was."""
        with self._lock:
            bad = [reading for reading in self._open if reading.first]
        if not bad:
            return ""
        count = sum(reading.count for reading in bad)
        return f"before that, {count:,} file{'s' if count != 1 else ''} differed or could not be read, the first is" + (
            f" {bad[0].first} on {bad[0].drive}: the station remembers it"
        )

    def write(self, work: Callable[[Ledger], None]) -> str:
        """Do something with the ledger; returns why it could not be done, empty when it was."""
        with self._lock:
            ledger = self._station.ledger
            if ledger is None:
                return self._station.trouble.detail if self._station.trouble is not None else "there is no ledger"
            try:
                work(ledger)
            except (RollproofError, OSError, ValueError) as problem:
                return problem.message if isinstance(problem, RollproofError) else str(problem)
        return ""

    def close(self, reading: Reading) -> None:
        """It was read to its end."""
        with self._lock:
            if reading in self._open:
                self._open.remove(reading)

    @property
    def has_memory(self) -> bool:
        """Whether there is a ledger, if only one that cannot be used now."""
        with self._lock:
            return self._station.is_there

    @property
    def reads(self) -> bool:
        """Whether something is being read, or was left in the middle of it."""
        with self._lock:
            return bool(self._open)


class Reading:
    """One copy that is being read. Made by `ReadingJournal.begin`."""

    def __init__(
        self, journal: ReadingJournal, identity: DriveIdentity, folder: bytes, drive: str, command: str
    ) -> None:
        self._journal = journal
        self._identity = identity
        self._folder = folder
        self.drive = drive
        self._command = command
        self._id = 0
        self._newest = ""
        self._began = datetime.now().astimezone()
        self._trouble = ""
        self._unsaid = 0
        self.count = 0
        """Files that differ, are missing or could not be read."""
        self.first = ""
        """The first of them, for people."""
        self.bad = False

    def put_down(self) -> None:
        """The ledger knows that it is being read."""
        note = ReadingNote(self._identity, self._folder, self.drive, self._command, self._began, self._newest)

        def work(ledger: Ledger) -> None:
            self._id = ledger.begin_reading(note)

        self._trouble = self._journal.write(work)

    def saw(self, chain: Chain) -> None:
        """The copy's records were read: only a newer word than theirs answers what is found now."""
        word = newest_word(chain)
        self.saw_word(word.sha256 if word is not None else "")

    def saw_word(self, sha256: str) -> None:
        """As `saw`, by the newest word itself."""
        self._newest = sha256
        if self._id and self._newest:
            self._trouble = self._journal.write(lambda ledger: ledger.reading_saw(self._id, self._newest))

    def differs(self, path: bytes, *, from_what: str = "what was recorded") -> None:
        """A file is not what was recorded, or not what something else says."""
        self._file(path, f"is not {from_what}")

    def missing(self, path: bytes) -> None:
        """A recorded file is not there."""
        self._file(path, "is recorded and not there")

    def unread(self, path: bytes) -> None:
        """A file could not be read."""
        self._file(path, "could not be read")

    def lost(self, why: str) -> None:
        """The drive died, or does not answer."""
        self._found("unproven", why, "", 0)

    def fails(self, why: str) -> None:
        """Something else is wrong, and the copy cannot be relied on."""
        self._found("failed", why, "", 0)

    def finish(
        self, *, everything: bool, evidence: Evidence | None, accepted: Collection[Evidence] = ACCEPTED
    ) -> Effect:
        """It was read to its end: what it leaves is decided by `proof.readings.effect_of`."""
        effect = effect_of(ReadingFacts(True, self.bad, everything, evidence), accepted)
        number, more = self._id, self._unsaid

        def work(ledger: Ledger) -> None:
            if more:
                ledger.reading_found(number, self._news("failed", "", "", more))
            ledger.end_reading(number, settles=effect is Effect.SETTLES)

        trouble = self._journal.write(work) if number else self._trouble
        was_begun = bool(number) or not self._journal.has_memory
        self._trouble = trouble if trouble_is_an_error(effect, was_begun=was_begun) else ""
        self._unsaid = 0
        self._journal.close(self)
        return effect

    def trouble(self) -> list[Finding]:
        """An error where bad news, or that the reading is not finished, could not be remembered."""
        return [not_remembered(self.drive, self._trouble)] if self._trouble else []

    def _file(self, path: bytes, what: str) -> None:
        name = shown(path)
        self.count += 1
        self.first = self.first or name
        if self.count > _ONE_BY_ONE:
            self._unsaid += 1
            self.bad = True
            return
        self._found("failed", f"{name} {what}", name, 1)

    def _found(self, state: CopyState, why: str, path: str, count: int) -> None:
        self.bad = True
        if not self._id:
            self.put_down()  # another try: the ledger may have been busy
        if self._id:
            news = self._news(state, why, path, count)
            self._trouble = self._journal.write(lambda ledger: ledger.reading_found(self._id, news))

    @staticmethod
    def _news(state: CopyState, why: str, path: str, count: int) -> BadNews:
        return BadNews(state, why, datetime.now().astimezone(), path, count)


def not_remembered(drive: str, why: str) -> Finding:
    """The error for bad news that this station could not keep."""
    return Finding(
        Kind.NOT_REMEMBERED,
        Severity.ERROR,
        "",
        f"this station could not remember what was found of this copy, or that it was being read: {why}",
        drive=drive,
        remedy="count this copy for nothing until it was verified again; see whether this computer's disk is full, and"
        " whether another command holds the ledger",
    )


def is_in(folder: bytes, outer: bytes) -> bool:
    """Whether a folder is another one or lies in it; both as they lie on their volume."""
    return not outer or folder == outer or folder.startswith(outer + b"/")
