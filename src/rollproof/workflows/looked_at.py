"""`rollproof looked-at`: a person has looked at the pictures of a roll; a record on every attached copy says so.

It says nothing about bytes: no copy is worth more or less by it.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from rollproof.copies.attached import mounts_of
from rollproof.copies.deadline import InTime
from rollproof.copies.ledger_update import remember_chain
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.drives.interface import Drives
from rollproof.ledger.entries import KnownCopy, KnownRoll
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import ExitStatus, RollproofError, UntrustedInput, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import MARKER_NAME, inert, shown
from rollproof.models.requests import Cancel, LookedAtRequest
from rollproof.models.volumes import Volume
from rollproof.reading.settings import Settings
from rollproof.records.blocks import this_station
from rollproof.records.chain import read_chain
from rollproof.records.models import By, LookedHeader
from rollproof.records.signing import Signer
from rollproof.records.write import append_record
from rollproof.station.context import Context
from rollproof.storage.errors import hanging, said
from rollproof.storage.files import exists, open_below
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.watch import NoAnswer

MAX_NOTE = 500
"""Letters of a note."""


class LookedAtCopy(BaseModel):
    """One attached copy. `record` is the name of the record that was written beside it, None where none was."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    path: str
    drive: str
    record: str | None


class LookedAtRoll(BaseModel):
    """One roll. `absent` are drives with a copy that were not attached."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    roll: str
    copies: list[LookedAtCopy]
    absent: list[str]


class LookedAtResult(BaseModel):
    """What was written down. `recorded` only when every roll has its record on at least one copy and no copy failed."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    verdict: Literal["recorded", "not recorded"]
    rolls: list[LookedAtRoll]
    findings: list[Finding]
    status: ExitStatus

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json", exclude={"status"})


def looked_at(request: LookedAtRequest, ctx: Context) -> LookedAtResult:
    """Write down that a person has looked at the pictures of these rolls, beside every attached copy.

    Raises UsageProblem without a name, for a roll this station does not know, and for a name that two rolls bear;
    nothing is written then. A drive that does not answer is left behind.
    """
    if not request.person.name.strip():
        raise UsageProblem("who has looked at the pictures?", hint="name that person with --by NAME")
    if len(request.note) > MAX_NOTE:
        raise UsageProblem(f"the note is longer than {MAX_NOTE} letters", hint="shorten it")
    with ctx.station as station:
        if station.ledger is None:
            raise UsageProblem(
                "this station's ledger cannot be used, so it does not know where the copies are",
                hint=station.trouble.remedy if station.trouble is not None else "",
            )
        job = _Job(
            ctx.io, ctx.drives, station.ledger, request, ctx.settings, ctx.cancel, ctx.signer, [*station.findings()]
        )
        return job.run()


@dataclass(slots=True)
class _Job:
    io: Io
    drives: Drives
    ledger: Ledger
    request: LookedAtRequest
    settings: Settings
    cancel: Cancel
    signer: Signer
    findings: list[Finding] = field(default_factory=list)

    def run(self) -> LookedAtResult:
        """All rolls are found before the first record is written."""
        rolls = [self._roll(name) for name in dict.fromkeys(self.request.rolls)]
        volumes = self.drives.volumes(everything=True)
        done = [self._record(roll, volumes) for roll in rolls]
        good = all(any(copy.record for copy in roll.copies) for roll in done)
        good = good and not any(found.severity is Severity.ERROR for found in self.findings)
        return LookedAtResult(
            verdict="recorded" if good else "not recorded",
            rolls=done,
            findings=self.findings,
            status=ExitStatus.DONE if good else ExitStatus.ANSWER_IS_NO,
        )

    def _roll(self, name: str) -> KnownRoll:
        found = self.ledger.rolls(name=name, day=self.request.day)
        if len(found) == 1:
            return found[0]
        if not found:
            raise UsageProblem(
                f"this station knows no roll {inert(name)}" + (" of that day" if self.request.day else ""),
                hint="rollproof rolls lists those it knows; rollproof ledger rebuild DRIVE … reads them from a drive",
            )
        days = ", ".join(sorted({inert(roll.day or "none") for roll in found}))
        raise UsageProblem(
            f"{len(found)} rolls are called {inert(name)}, of the shooting days: {days}",
            hint="say which with --day DAY",
        )

    def _record(self, roll: KnownRoll, volumes: Sequence[Volume]) -> LookedAtRoll:
        copies: list[LookedAtCopy] = []
        absent: list[str] = []
        for known in self.ledger.copies_of(roll.id):
            place = next(mounts_of(known, volumes), None)
            drive = inert(known.name or known.drive.drive or "a drive")
            if place is None:
                absent.append(drive)
                continue
            path = os.path.join(place[0].mount_point, place[1])
            name = self._on_copy(roll, known, place, path, drive)
            copies.append(LookedAtCopy(path=shown(path), drive=drive, record=name))
        if absent:
            self._say(
                Severity.NOTE, Kind.DRIVE_MISSING, roll.name,
                f"the copy on {', '.join(absent)} is not attached: the record is not on it",
                "attach it and run the same command again, if it is to travel with that copy",
            )  # fmt: skip
        if not copies:
            self._say(
                Severity.ERROR, Kind.NONE_ATTACHED, roll.name, f"no copy of roll {inert(roll.name)} is attached",
                "attach a drive with it and run the same command again",
            )  # fmt: skip
        return LookedAtRoll(roll=roll.name, copies=copies, absent=absent)

    def _on_copy(
        self, roll: KnownRoll, known: KnownCopy, place: tuple[Volume, bytes], path: bytes, drive: str
    ) -> str | None:
        in_time = InTime(self.io, self.drives, self.settings, self.cancel)
        try:
            return in_time.run(lambda: self._append(in_time.io, roll, known, place, drive))
        except NoAnswer:
            self.findings.append(hanging(drive, self.settings.stall_seconds))
        except (OSError, RollproofError) as problem:
            why = said(problem) if isinstance(problem, OSError) else problem.message
            self._say(
                Severity.ERROR, Kind.UNREADABLE, shown(path), f"nothing was written beside the copy on {drive}: {why}",
                "see to the drive, then run the same command again",
            )  # fmt: skip
        return None

    def _append(self, io: Io, roll: KnownRoll, known: KnownCopy, place: tuple[Volume, bytes], drive: str) -> str | None:
        volume, below = place
        if volume.read_only:
            self._say(
                Severity.WARNING, Kind.READ_ONLY, shown(below), f"{drive} is read-only: the record is not on it",
                "mount it writable and run the same command again",
            )  # fmt: skip
            return None
        with _opened(io, volume, below) as handle:
            if not try_lock(io, handle):
                self.findings.append(locked_finding(drive, below))
                return None
            if exists(io, handle, MARKER_NAME) is not None:
                raise UntrustedInput("its offload was not finished; run the offload again first")
            chain = read_chain(io, handle, drive=drive)
            if not chain.whole:
                raise UntrustedInput(f"its records are not whole: {chain.findings[0].detail}")
            newest = chain.newest
            if newest is None or newest.header is None or newest.header.roll != roll.name:
                raise UntrustedInput(f"what lies there now has no records of roll {inert(roll.name)}")
            person = self.request.person
            written = append_record(
                io,
                handle,
                LookedHeader(
                    by=By(name=person.name, role=person.role),
                    station=this_station(),
                    production=newest.header.production,
                    roll=newest.header.roll,
                    note=self.request.note,
                ),
                signer=self.signer,
                as_read=chain.digests,
                medium=MediumAccess(io, volume.way, volume.source),
            )
            if written.unsigned is not None:
                self.findings.append(written.unsigned)
            remember_chain(self.ledger, known.id, read_chain(io, handle, drive=drive))
            return written.name

    def _say(self, severity: Severity, kind: Kind, path: str, detail: str, remedy: str) -> None:
        self.findings.append(Finding(kind, severity, path, detail, remedy=remedy))


@contextlib.contextmanager
def _opened(io: Io, volume: Volume, below: bytes) -> Iterator[int]:
    """The open roll folder; never one on another file system that is mounted inside."""
    top = io.open_root(volume.mount_point)
    try:
        handle = open_below(io, top, below)
        try:
            if io.fstat(handle).device != io.fstat(top).device:
                raise UntrustedInput("another file system is mounted inside the folder")
            yield handle
        finally:
            io.close(handle)
    finally:
        io.close(top)
