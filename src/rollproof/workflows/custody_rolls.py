"""The rolls of a drive that changes hands: which there are, and whether each is whole, by a look or by reading it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from rollproof.card.snapshot import take_snapshot
from rollproof.copying.plan import same_time
from rollproof.copying.settings import Settings
from rollproof.copying.trouble import said
from rollproof.drives.interface import Drives
from rollproof.models.errors import Interrupted
from rollproof.models.events import Emit
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import MARKER_NAME, shown, to_text
from rollproof.models.requests import Cancel, Person, VerifyRequest
from rollproof.models.results import FindingOut
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Evidence, Volume
from rollproof.records.chain import Chain, Link, read_chain
from rollproof.records.models import OffloadHeader
from rollproof.records.signing import Signer
from rollproof.storage.files import exists
from rollproof.storage.io import Io
from rollproof.workflows.find_rolls import find_rolls
from rollproof.workflows.offload_drive import locked_finding, try_lock
from rollproof.workflows.offload_result import grouped
from rollproof.workflows.placing import place_on
from rollproof.workflows.station_ledger import StationLedger
from rollproof.workflows.verify_copy import CopyVerifier
from rollproof.workflows.verify_expectation import (
    Expectation,
    copy_rules,
    read_expectation,
    speaks_against,
    unfinished_finding,
)
from rollproof.workflows.verify_outer import in_order

State = Literal["proven", "copied", "unproven"]


@dataclass(slots=True)
class RollSeen:
    """One roll and what was found of it. `folder` is relative to the drive's folder, `path` from where we stand.

    `chain` is as it was found, before a re-reading appended to it.
    """

    folder: bytes
    path: bytes
    chain: Chain
    roll: str
    production: str | None = None
    role: str = ""
    state: State = "unproven"
    files: int = 0
    size_bytes: int = 0
    why: str = ""
    readback: Evidence | None = None
    findings: list[Finding] = field(default_factory=list)
    differ: set[str] = field(default_factory=set)
    """Files, as text, that reading found to be other than recorded, or could not read."""

    @property
    def head(self) -> Link | None:
        """The newest record, if its bytes could be read."""
        newest = self.chain.newest
        return newest if newest is not None and newest.sha256 else None

    @property
    def proven(self) -> bool:
        """Whether it is whole and proven."""
        return self.state == "proven" and not any(found.severity is Severity.ERROR for found in self.findings)


class RollLook:
    """Looks at the rolls below one folder, one after the other."""

    def __init__(self, io: Io, drives: Drives, cancel: Cancel) -> None:
        self._io = io
        self._drives = drives
        self._cancel = cancel

    def folders(self, root: int) -> tuple[list[bytes], list[bytes]]:
        """The roll folders below an open folder, and the histories of the open standard inside them."""
        found = list(find_rolls(self._io, root, self._cancel))
        self._stop_if_asked()
        known = set(found)
        inner = [folder for folder in found if any(above in known for above in folders_above(folder))]
        return sorted(known - set(inner)), inner

    def chain(self, drive: bytes, folder: bytes) -> RollSeen:
        """What the records say; nothing else is looked at. OSError when the folder cannot be opened."""
        path = os.path.join(drive, folder) if folder else drive
        handle = self._io.open_root(path)
        try:
            return _seen(folder, path, read_chain(self._io, handle, drive=shown(path)))
        finally:
            with contextlib.suppress(OSError):
                self._io.close(handle)

    def quick(self, seen: RollSeen) -> None:
        """Chain whole, every file there at its recorded size and date, and what the records make of it all."""
        handle = self._io.open_root(seen.path)
        drive = shown(seen.path)
        try:
            volume = self._drives.volume_of(seen.path)
            if not try_lock(self._io, handle):
                seen.findings.append(locked_finding(drive, os.path.basename(seen.path)))
                return
            papers = read_expectation(self._io, handle, volume, drive, folder=place_on(volume, seen.path))
            rules, hidden = copy_rules(papers, drive)
            there = take_snapshot(self._io, handle, rules, cancel=self._cancel)
            self._stop_if_asked()
            seen.findings += papers.findings + hidden
            seen.findings += [found for found in there.findings if speaks_against(found)]
            if exists(self._io, handle, MARKER_NAME) is not None:
                seen.findings.append(unfinished_finding(drive))
            seen.findings += _compared(papers, there, volume, drive)
        finally:
            with contextlib.suppress(OSError):
                self._io.close(handle)
        seen.files, seen.size_bytes = len(papers.files), sum(wanted.size or 0 for wanted in papers.files.values())
        seen.why, seen.readback = " ".join(papers.standing.why), papers.standing.readback
        bad = any(found.severity is Severity.ERROR for found in seen.findings)
        seen.state = "unproven" if bad else papers.standing.state
        if seen.state != "proven" and not bad:
            seen.findings.append(
                Finding(
                    Kind.NOT_PROVEN,
                    Severity.WARNING,
                    "",
                    f"every file is there, yet the copy is not proven: {seen.why}",
                    drive=drive,
                    remedy=papers.standing.remedy,
                )
            )
        seen.findings = grouped(seen.findings)

    def _stop_if_asked(self) -> None:
        if self._cancel.is_set():
            raise Interrupted("interrupted before anything was written")


class Rereading:
    """Reads rolls again with the machinery of `verify`, which appends what it found to each roll's own histories."""

    def __init__(
        self,
        io: Io,
        drives: Drives,
        person: Person,
        settings: Settings | None,
        emit: Emit,
        cancel: Cancel,
        station: StationLedger,
        signer: Signer,
    ) -> None:
        request = VerifyRequest(paths=(), person=person)
        self._verifier = CopyVerifier(io, drives, request, settings or Settings(), emit, cancel, station, signer)

    def run(self, seen: RollSeen, inner: Sequence[bytes]) -> None:
        """Read one roll, and the histories of the open standard inside it. Raises Interrupted."""
        clean = True
        try:
            start = seen.folder + b"/" if seen.folder else b""
            inside = [folder[len(start) :] for folder in inner if folder.startswith(start)]
            for folder, within in in_order(inside):
                nested = self._verifier.run(os.path.join(seen.path, folder), within)
                seen.findings += [finding_of(found) for found in nested.findings]
                seen.differ |= {f"{to_text(folder)}/{path}" for path in nested.differ}
                clean = clean and nested.verdict == "proven"
            copy = self._verifier.run(seen.path, inside)
            seen.findings += [finding_of(found) for found in copy.findings]
            seen.differ |= {*copy.differ, *(found.path for found in copy.findings if found.severity == "error")}
            seen.files, seen.size_bytes = copy.files, copy.bytes
            seen.readback = Evidence(copy.readback) if copy.readback is not None else None
        except OSError as error:
            seen.findings.append(
                Finding(
                    Kind.DRIVE_GONE,
                    Severity.ERROR,
                    "",
                    f"the roll folder {shown(seen.path)} cannot be read ({said(error)})",
                    drive=shown(seen.path),
                    remedy="reconnect the drive and do this again",
                )
            )
            return
        bad = any(found.severity is Severity.ERROR for found in seen.findings)
        if copy.verdict == "proven" and clean and not bad:
            seen.state = "proven"
        else:
            seen.state = "unproven" if bad else "copied"
            seen.why = next((found.detail for found in seen.findings if found.severity is not Severity.NOTE), "")


def folders_above(folder: bytes) -> Iterator[bytes]:
    """Every folder that a relative path lies in, from the nearest to the top (the empty path)."""
    while folder:
        folder = folder.rpartition(b"/")[0]
        yield folder


def finding_of(found: FindingOut) -> Finding:
    """A finding from its JSON form."""
    return Finding(
        Kind(found.kind), Severity(found.severity), found.path, found.detail, found.drive, found.remedy, found.count
    )


def _seen(folder: bytes, path: bytes, chain: Chain) -> RollSeen:
    offload = next((link.header for link in reversed(chain.links) if isinstance(link.header, OffloadHeader)), None)
    named = offload or next((link.header for link in reversed(chain.links) if link.header is not None), None)
    seen = RollSeen(folder, path, chain, shown(os.path.basename(os.path.realpath(path))))
    if named is not None:
        seen.roll, seen.production = named.roll or seen.roll, named.production
    if offload is not None:
        seen.role = offload.copy_.role
    return seen


def _compared(papers: Expectation, there: Snapshot, volume: Volume, drive: str) -> list[Finding]:
    """What a look can see: files that are gone, of another size or date, or that nobody recorded."""
    entries = {entry.path: entry for entry in there.files}
    ignored = set(there.ignored)
    out: list[Finding] = []

    def say(kind: Kind, severity: Severity, path: bytes, what: str, remedy: str) -> None:
        out.append(Finding(kind, severity, shown(path), f"{shown(path)} {what}", drive, remedy))

    for path, wanted in sorted(papers.files.items()):
        entry = entries.get(path)
        if entry is None:
            if path not in ignored:
                say(
                    Kind.MISSING,
                    Severity.ERROR,
                    path,
                    "is recorded and not there",
                    "keep the other copies and the card; look whether somebody moved it",
                )
        elif wanted.size is not None and wanted.size != entry.size:
            say(
                Kind.DIFFERS,
                Severity.ERROR,
                path,
                "has another size than recorded",
                "keep the other copies and the card; copy this file from a proven copy into a new folder",
            )
        elif wanted.modified_ns is not None and not same_time(wanted.modified_ns, entry.modified_ns, volume.limits):
            say(
                Kind.DIFFERS,
                Severity.ERROR,
                path,
                "has another date than recorded: only reading it tells whether its content is another too",
                "do this again with --reread, or verify this copy",
            )
    for path in sorted(entries.keys() - papers.files.keys()):
        say(Kind.UNKNOWN_FILE, Severity.WARNING, path, "is not in any record", "look who put it there")
    return out
