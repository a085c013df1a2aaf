"""Reading every copy again, each with the machinery of `verify`, drives side by side."""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from rollproof.copies.outer_history import OuterHistories, in_order
from rollproof.models.counting import count_are
from rollproof.models.errors import UntrustedInput
from rollproof.models.events import Event, Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Kind, Severity, error
from rollproof.models.names import shown
from rollproof.models.reads import Reads
from rollproof.models.requests import Person, VerifyRequest
from rollproof.models.results import VerifiedCopy
from rollproof.proof.copy_findings import speaks_of_content
from rollproof.proof.policy import Rules
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.workflows.audit.against import Against
from rollproof.workflows.audit.copy import CopyLook, Place, Told
from rollproof.workflows.audit.listed_read import ListedReader
from rollproof.workflows.audit.parts import take_reading
from rollproof.workflows.audit.topics import topic_of
from rollproof.workflows.audit.workers import Pulse, pulsing
from rollproof.workflows.verify.copy import CopyVerifier

READING = "reading again"
"""What the events of this work call the roll: all of them at once."""
LOST = frozenset((Kind.DRIVE_GONE, Kind.DRIVE_FAILED, Kind.DRIVE_HANGS, Kind.DRIVE_FULL))
_BY_READING = frozenset((Kind.MISSING, Kind.DIFFERS, Kind.UNKNOWN_FILE, Kind.CARD_CHANGED, Kind.NOT_PROVEN))
_NOT_READ = ("no record", "empty", "record only")


@dataclass(slots=True)
class Read:
    """What was read so far."""

    copies: int = 0
    size_bytes: int = 0
    before: int = 0
    read_only: list[Place] = field(default_factory=list)


class Rereader:
    """Reads copies again and puts what was found into their looks. Shared by the workers of all devices."""

    def __init__(self, ctx: Context, person: Person, rules: Rules) -> None:
        self._ctx = ctx
        self._io = ctx.io
        self._rules = rules
        self._request = VerifyRequest(paths=(), person=person)
        self._lock = threading.Lock()
        self._verifiers: dict[int, CopyVerifier] = {}
        self._place: dict[int, Place] = {}
        self.read = Read()
        self.against: dict[int, Against] = {}
        """What copies are to be compared with while they are read, by the identity of the copy."""

    def start(self, copies: Sequence[CopyLook]) -> None:
        """Say how much there is to read on each drive."""
        places = {copy.place.number: copy.place for copy in copies}
        for number, place in sorted(places.items()):
            here = [copy for copy in copies if copy.place.number == number]
            files, size = sum(copy.files for copy in here), sum(copy.size_bytes for copy in here)
            self._ctx.emit(LegStarted(READING, Leg.READ_BACK, place.name, files, size))

    def one(self, worker: int, copy: CopyLook, pulse: Pulse) -> None:
        """Read one copy, and the histories of the open standard inside it. Raises Interrupted."""
        if copy.place.lost:
            return
        self._place[worker] = copy.place
        if copy.lists:
            self._one_listed(worker, copy, pulse)
            return
        verifier = self._verifiers.get(worker)
        if verifier is None:
            timed = replace(self._ctx, io=pulsing(self._io, pulse), emit=lambda event: self._pass_on(worker, event))
            verifier = self._verifiers[worker] = CopyVerifier(timed, self._request, rules=self._rules)
        if copy.is_around and not copy.files:
            self._outer(copy, pulse)
            return
        try:
            inside = () if copy.is_around else in_order(copy.inner)  # (the rolls in it were read by themselves)
            against = [self.against[id(each)] for each in (copy, *copy.parts) if id(each) in self.against]
            also = tuple(dict.fromkeys(each.algorithm for each in against))
            take = partial(_take_in, pulsing(self._io, pulse), against)
            inner = [
                verifier.run(os.path.join(copy.path, folder), within, also=also, take=partial(take, folder + b"/"))
                for folder, within in inside
            ]
            found = verifier.run(copy.path, copy.inner, also=also, take=partial(take, b""))
        except UntrustedInput as problem:
            self._add(copy, Kind.BAD_RECORD, f"its history cannot be relied on: {problem.message}")
            return
        except OSError as error:
            copy.place.lost = True
            self._add(copy, Kind.DRIVE_GONE, f"the roll folder {shown(copy.path)} cannot be read ({said(error)})")
            return
        self._take(copy, found, inner)
        for part in copy.parts:
            take_reading(part, found)
        for each in against:
            each.settle(is_written_down=bool(found.appended))

    def _outer(self, copy: CopyLook, pulse: Pulse) -> None:
        """A history around rolls that speaks of nothing but these: it goes on, and what is wrong with it was said."""
        known = {(told.finding.kind, told.finding.path) for told in copy.told}
        outer = OuterHistories(pulsing(self._io, pulse), self._ctx.drives, self._request.person)
        for finding in outer.verify(copy.path, copy.inner):
            if (finding.kind, finding.path) not in known:
                copy.told.append(Told(topic_of(finding.kind), finding))

    def _one_listed(self, worker: int, copy: CopyLook, pulse: Pulse) -> None:
        try:
            ctx = replace(self._ctx, io=pulsing(self._io, pulse), emit=lambda event: self._pass_on(worker, event))
            read = ListedReader(ctx, self._rules).read(copy, self.against.get(id(copy)))
        except UntrustedInput as problem:
            self._add(copy, Kind.BAD_MANIFEST, f"what speaks of it cannot be relied on: {problem.message}")
            return
        except OSError as error:
            copy.place.lost = True
            self._add(copy, Kind.DRIVE_GONE, f"the roll folder {shown(copy.path)} cannot be read ({said(error)})")
            return
        copy.place.lost |= any(told.finding.kind in LOST for told in copy.told)
        with self._lock:
            self.read.copies += 1
            self.read.size_bytes += read

    def ended(self, places: Sequence[Place]) -> None:
        """Every worker is through."""
        for place in places:
            self._ctx.emit(LegEnded(READING, Leg.READ_BACK, place.name, not place.lost))

    def _pass_on(self, worker: int, event: Event) -> None:
        """One lane for each drive instead of one for each roll."""
        if isinstance(event, Moved):
            name = self._place[worker].name
            self._ctx.emit(Moved(READING, Leg.READ_BACK, name, event.size_bytes, event.files, event.path))

    def _add(self, copy: CopyLook, kind: Kind, detail: str) -> None:
        remedy = "reconnect the drive and run the same command again"
        finding = error(kind, detail, drive=shown(copy.path), remedy=remedy)
        copy.told.append(Told(topic_of(kind), finding, copy.roll))

    def _take(self, copy: CopyLook, found: VerifiedCopy, inner: Sequence[VerifiedCopy]) -> None:
        findings = list(found.findings)
        findings += [each for below in inner for each in below.findings]
        errors = [finding for finding in findings if finding.severity is Severity.ERROR]
        against = [finding for finding in findings if speaks_of_content(finding)]
        copy.told = [told for told in copy.told if told.finding.kind not in _BY_READING]
        known = {(told.finding.kind, told.finding.path) for told in copy.told}
        for finding in findings:
            if finding.kind is Kind.READ_ONLY:
                with self._lock:
                    if copy.place not in self.read.read_only:
                        self.read.read_only.append(copy.place)
            elif (finding.kind, finding.path) not in known:
                copy.told.append(Told(topic_of(finding.kind), finding, copy.roll))
        if any(finding.kind in LOST for finding in errors):
            copy.place.lost = True
        if copy.is_around:
            copy.told = [replace(told, roll="") for told in copy.told]
        proven = found.verdict == "proven" and all(below.verdict == "proven" for below in inner)
        if proven and not against and not copy.offloads_lost:
            copy.state, copy.why, copy.reread_now = "reread", "every file was read again and is as recorded", True
        elif found.differ:
            copy.state, copy.why = "damaged", f"{count_are(len(found.differ), 'file')} not what was recorded"
        elif found.missing and copy.state != "record only":
            copy.state, copy.why = "incomplete", f"{count_are(len(found.missing), 'recorded file')} not there"
        elif against and copy.state in ("proven", "reread", "copied"):
            copy.state, copy.why = "damaged", against[0].detail
        with self._lock:
            self.read.copies += 1
            self.read.size_bytes += found.bytes


def _take_in(io: Io, against: Sequence[Against], prefix: bytes, reads: Reads) -> None:
    for each in against:
        each.take(io, prefix, reads)


def to_read(copy: CopyLook) -> bool:
    """Whether there is anything to read and something to compare it with."""
    return copy.state not in _NOT_READ and not copy.place.lost
