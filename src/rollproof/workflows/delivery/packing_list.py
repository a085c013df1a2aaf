"""The packing list of the open standard: every roll's history flattened, and the collection that lists them all."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.ascmhl.flatten import write_packing_list
from rollproof.ascmhl.model import Expected, History
from rollproof.ascmhl.nested import check_references
from rollproof.ascmhl.standard import COLLECTION_NAME
from rollproof.copies.drive import is_lost
from rollproof.copies.new_files import check_outside, could_not_write
from rollproof.copies.roll_histories import RollPapers, no_rolls, papers_unreadable, read_papers, roll_folders
from rollproof.drives.interface import Drives
from rollproof.models.counting import count_of
from rollproof.models.delivery_results import PackedRoll, PackingListResult
from rollproof.models.errors import ExitStatus, Interrupted, UntrustedInput, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.grouped import grouped
from rollproof.models.names import inert, shown, to_text
from rollproof.models.requests import Cancel, PackingListRequest
from rollproof.station.authorship import this_creator
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.io import Io


@dataclass(slots=True, eq=False)
class _Roll:
    """One roll as its histories have it, on one drive or on several that agree."""

    name: bytes
    roll: str
    production: str | None
    histories: list[tuple[bytes, History]]
    folder: bytes
    """Relative to the drive."""
    paths: list[bytes] = field(default_factory=list)

    def expected(self) -> dict[bytes, Expected]:
        """What every file must hash to, by path from the top of the roll."""
        return {
            (folder + b"/" + path if folder else path): expected
            for folder, history in self.histories
            for path, expected in history.expected.items()
        }


def packing_list(request: PackingListRequest, ctx: Context) -> PackingListResult:
    """Flatten the history of every roll on these drives into a folder, with the collection that names each by its C4.

    No file of a roll is read: the list says what the histories say. A roll on several drives is listed once when they
    agree; where they do not, or where a history cannot be relied on, it is left out and said. `complete` when every
    roll found is listed and nothing speaks against one.

    Raises UsageProblem (the folder holds a packing list already, or lies inside a roll), Refused when a drive cannot
    be opened, CouldNotFinish when the list cannot be written, Interrupted.
    """
    began = time.monotonic()
    _check_out(request.out)
    gathering = _Gathering(ctx.io, ctx.drives, ctx.cancel)
    for drive in request.drives:
        gathering.drive(drive, request.out)
    started = ctx.now()
    packed: list[PackedRoll] = []
    good = [roll for roll in gathering.rolls if roll not in gathering.odd]
    if good:
        packed += _write(ctx.io, request, good, started, gathering.findings, ctx.cancel)
    packed += [_packed(roll, None) for roll in gathering.odd]
    packed.sort(key=lambda roll: (roll.roll, roll.paths))
    complete = bool(good) and not any(finding.severity is Severity.ERROR for finding in gathering.findings)
    return PackingListResult(
        verdict="complete" if complete else "not complete",
        out=shown(request.out) if good else None,
        collection=to_text(COLLECTION_NAME) if good else None,
        rolls=packed,
        findings=grouped(gathering.findings),
        seconds=round(time.monotonic() - began, 3),
        status=ExitStatus.NOT_FINISHED
        if is_lost(gathering.findings)
        else ExitStatus.DONE
        if complete
        else ExitStatus.ANSWER_IS_NO,
    )


def _check_out(out: bytes) -> None:
    if os.path.lexists(os.path.join(out, COLLECTION_NAME)):
        raise UsageProblem(
            f"{shown(out)} holds a packing list already, and it is left as it is", hint="name another folder: --out DIR"
        )
    if os.path.lexists(out) and not os.path.isdir(out):
        raise UsageProblem(f"{shown(out)} is no folder", hint="name another folder: --out DIR")
    if not os.path.isdir(os.path.dirname(out.rstrip(b"/")) or b"."):
        raise UsageProblem(f"there is no folder for {shown(out)}", hint="make the folder above it, or name another")


class _Gathering:
    """Reads the papers of roll after roll, and finds out which are one roll."""

    def __init__(self, io: Io, drives: Drives, cancel: Cancel) -> None:
        self._io = io
        self._drives = drives
        self._cancel = cancel
        self.rolls: list[_Roll] = []
        self.odd: list[_Roll] = []
        """Rolls that are not listed; a finding says why."""
        self.findings: list[Finding] = []

    def drive(self, drive: bytes, out: bytes) -> None:
        """Every roll at or below one path."""
        folders = roll_folders(self._io, self._drives, drive, self._cancel, self.findings)
        check_outside(out, (found.path for found in folders))
        if not folders:
            self.findings.append(no_rolls(drive))
        for found in folders:
            if self._cancel.is_set():
                raise Interrupted("interrupted; no packing list was written")
            try:
                papers, handle, _ = read_papers(self._io, self._drives, found)
            except OSError as error:
                self.findings.append(papers_unreadable(found, said(error)))
                continue
            with contextlib.suppress(OSError):
                self._io.close(handle)
            self._take(papers)

    def _take(self, papers: RollPapers) -> None:
        drive = shown(papers.path)
        name = os.path.basename(os.path.realpath(papers.path))
        roll = _Roll(name, papers.roll, papers.production, papers.histories, papers.folder, [papers.path])
        self.findings += papers.findings
        references = check_references(papers.histories[0][1], papers.histories[1:]).all()
        self.findings += references
        expected = roll.expected()
        if not papers.sound or references or not expected:
            self.odd.append(roll)
            why = (
                "its histories cannot be relied on"
                if expected or papers.findings
                else "it has no manifest of the open standard"
            )
            self._leave_out(roll, drive, why, "verify this copy, then make the list again")
            return
        unlisted = [path for path in papers.files if path not in expected]
        if unlisted:
            self.findings.append(
                error(
                    Kind.NAME_NOT_IN_MANIFEST,
                    f"{count_of(len(unlisted), 'recorded file')} of roll {inert(roll.roll)} not listed: in no manifest",
                    path=shown(min(unlisted)),
                    drive=drive,
                    remedy="their names cannot stand in XML: send a checksum file (rollproof checksums) along",
                    count=len(unlisted),
                )
            )
        for other in self.rolls:
            if not _is_same_roll(other, roll, expected):
                continue
            other.paths += roll.paths
            if _agree(other.expected(), expected):
                return
            why = f"its hashes are not those of {shown(other.paths[0])}"
            self._leave_out(roll, drive, why, "verify both, and find out which is right before anything is sent")
            if other not in self.odd:
                self.odd.append(other)
            return
        self.rolls.append(roll)

    def _leave_out(self, roll: _Roll, drive: str, why: str, remedy: str) -> None:
        detail = f"roll {inert(roll.roll)} is not in the list: {why}"
        self.findings.append(error(Kind.NOT_PROVEN, detail, drive=drive, remedy=remedy))


def _is_same_roll(one: _Roll, other: _Roll, expected: Mapping[bytes, Expected]) -> bool:
    """Whether two folders of one name are copies of one roll: they name the same files, and lie in the same place of
    their drives or have some content in common. (Two units can both have a roll A001.)"""
    if one.name != other.name:
        return False
    known = one.expected()
    if known.keys() != expected.keys():
        return False
    return one.folder == other.folder or any(_meet(known[path], expected[path]) for path in expected)


def _meet(one: Expected, other: Expected) -> bool:
    return any(other.raw(name) == raw for name, raw, _ in one.good())


def _agree(one: Mapping[bytes, Expected], other: Mapping[bytes, Expected]) -> bool:
    return all(
        (raw := other[path].raw(name)) is None or raw == mine
        for path, expected in one.items()
        for name, mine, _ in expected.good()
    )


def _write(
    io: Io,
    request: PackingListRequest,
    rolls: list[_Roll],
    started: datetime,
    findings: list[Finding],
    cancel: Cancel,
) -> list[PackedRoll]:
    creator = this_creator(request.person)
    packed: list[PackedRoll] = []
    try:
        with contextlib.suppress(FileExistsError):
            os.mkdir(request.out)
        folder = io.open_root(request.out)
        try:
            for roll in rolls:
                if cancel.is_set():
                    raise Interrupted("interrupted; the packing list is not complete", hint="make it anew elsewhere")
                written = write_packing_list(io, folder, roll.name, roll.histories, started_at=started, creator=creator)
                findings += written.findings
                packed.append(_packed(roll, written.name))
        finally:
            with contextlib.suppress(OSError):
                io.close(folder)
    except OSError as error:
        raise could_not_write(request.out, said(error)) from None
    except UntrustedInput as problem:
        raise could_not_write(request.out, problem.message) from None
    return packed


def _packed(roll: _Roll, manifest: bytes | None) -> PackedRoll:
    expected = roll.expected()
    return PackedRoll(
        roll=inert(roll.roll),
        paths=[shown(path) for path in roll.paths],
        production=inert(roll.production) if roll.production else None,
        files=len(expected),
        bytes=sum(each.size or 0 for each in expected.values()),
        manifest=to_text(manifest) if manifest is not None else None,
    )
