"""What an offload reads of copies that are recorded or known already, put down before and while it is read.

A copy that is only being made counts for nothing until its record is down, so nothing is put down of it. No file is
worth a write into the ledger unless something is wrong with it.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Sequence
from functools import partial

from rollproof.copies.reading_journal import Reading, ReadingJournal
from rollproof.copying.engine import LaneOutcome
from rollproof.copying.plan import Action
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.volumes import Evidence
from rollproof.proof.board import BadFile
from rollproof.proof.readings import ADDING, has_something_to_lose, speaks_against_a_copy
from rollproof.station.ledger import StationLedger
from rollproof.workflows.offload.recorded_source import RecordedSource
from rollproof.workflows.offload.run import RollRun
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork

_SOURCE = ""
"""The recorded copy that is copied from, among the drives' names."""


class CopyReadings:
    """The readings of one roll's offload. Safe for several threads; no call touches a drive."""

    def __init__(self, source: Source, station: StationLedger) -> None:
        self._source = source
        self._journal = ReadingJournal(station, "offload")
        self._lock = threading.Lock()
        self._readings: dict[str, Reading] = {}

    def begin_source(self) -> None:
        """A recorded copy is about to be copied from; what its listing shows to be wrong is known already."""
        copy = self._source
        if not isinstance(copy, RecordedSource) or _SOURCE in self._readings:
            return
        reading = self._journal.begin(copy.volume, copy.copy_folder, shown(copy.path))
        self._readings[_SOURCE] = reading
        reading.saw(copy.papers.chain)
        for path in copy.missing:
            reading.missing(path)
        for path in copy.differ:
            reading.differs(path)

    def begin_where_bad(self) -> None:
        """The listing of a recorded copy shows files that are gone or have another size: put down whatever comes of
        the offload."""
        if isinstance(self._source, RecordedSource) and (self._source.missing or self._source.differ):
            self.begin_source()

    def begin(self, drives: Sequence[DriveAtWork]) -> None:
        """The copies on these drives are about to be read, or gone on with."""
        self.begin_source()
        for at in drives:
            place = at.folder_on_volume
            is_known = self._knows(at, place)
            if not has_something_to_lose(
                is_touched=not at.all_covered, is_recorded=at.newest_word != "", is_known=is_known
            ):
                continue
            command = "offload" if Action.HASH in at.plan.actions else ADDING
            reading = self._journal.begin(at.volume, place, at.drive, command=command)
            self._readings[at.drive] = reading
            if at.newest_word:
                reading.saw_word(at.newest_word)

    def _knows(self, at: DriveAtWork, place: bytes) -> bool:
        known: list[bytes] = []

        def ask(ledger: Ledger) -> None:
            known.extend(copy.folder for copy in ledger.copies_on(DriveIdentity.of(at.volume)))

        self._journal.write(ask)
        return place in known

    def tell(self, drive: str, number: int, what: BadFile) -> None:
        """As `board.TellBadFile`."""
        reading = self._readings.get(drive)
        if reading is None:
            return
        path = self._source.snapshot.files[number].path
        with self._lock:
            if what is BadFile.DIFFERS:
                reading.differs(path)
            else:
                reading.unread(path)

    def lost(self, drive: str, finding: Finding) -> None:
        """The work on a drive ended, or on the recorded copy (`drive` empty)."""
        reading = self._readings.get(drive)
        if reading is not None and speaks_against_a_copy(finding.kind):
            with self._lock:
                reading.lost(finding.detail)

    # --- at the end

    def settle_proven(self, run: RollRun, accepted: Collection[Evidence]) -> None:
        """Copies that this run proved: to be called before the ledger is told of them, else what stood against them
        before would withdraw them again."""
        for at in run.targets.drives:
            if not _is_proven(at, _lane(run, at.drive)):
                continue
            reading = self._readings.get(at.drive)
            if reading is not None:
                everything = Action.COVERED not in at.plan.actions
                evidence = run.board.readback_evidence(at.drive)
                reading.finish(everything=everything, evidence=evidence, accepted=accepted)
            identity, place = DriveIdentity.of(at.volume), at.folder_on_volume
            self._journal.write(partial(Ledger.settle_readings, identity=identity, folder=place, only=ADDING))

    def finish_others(self, run: RollRun) -> None:
        """Copies that came to a record and are not proven: to be called once the ledger knows what they are."""
        if run.outcome.interrupted:
            return
        for at in run.targets.drives:
            lane, reading = _lane(run, at.drive), self._readings.get(at.drive)
            sealed = lane.failure is None and at.record_name is not None
            if reading is not None and sealed and not _is_proven(at, lane):
                reading.finish(everything=False, evidence=None)

    def settle_source(self, *, clean: bool | None) -> None:
        """The recorded copy was read to its end. `clean`: all of it is as recorded, from the medium; None where that is
        not shown."""
        reading = self._readings.get(_SOURCE)
        if reading is None:
            return
        if clean is False and not reading.bad:
            reading.fails("it was copied from, and is not as recorded")
        reading.finish(everything=clean is True, evidence=Evidence.MEDIUM if clean else None)

    def trouble(self) -> list[Finding]:
        """Errors for what could not be remembered."""
        return [finding for reading in self._readings.values() for finding in reading.trouble()]


def _lane(run: RollRun, drive: str) -> LaneOutcome:
    return next(lane for lane in run.outcome.lanes if lane.drive == drive)


def _is_proven(at: DriveAtWork, lane: LaneOutcome) -> bool:
    return lane.failure is None and at.record_name is not None and lane.state == "proven"
