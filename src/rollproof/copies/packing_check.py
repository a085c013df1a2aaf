"""Comparing what arrived on a drive with the packing list that was sent ahead of it.

Called when every roll was read again: what a roll's own papers say of a file is then what the medium holds, but for the
files that this reading found to be otherwise. So papers and list are compared, and a file is read once more only where
they have no algorithm in common.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rollproof.ascmhl.chain import ChainEntry, read_chain
from rollproof.ascmhl.expected import ExpectedFiles
from rollproof.ascmhl.folder import c4_of, manifest_chunks
from rollproof.ascmhl.manifest_reader import ManifestReader
from rollproof.ascmhl.model import Expected, FileHash
from rollproof.ascmhl.noted import Noted
from rollproof.ascmhl.standard import COLLECTION_NAME, is_manifest_name, plain_name
from rollproof.copies.history import copy_rules
from rollproof.copies.list_readings import ListReadings
from rollproof.copies.location import place_on
from rollproof.copies.reading_journal import ReadingJournal
from rollproof.copies.roll_histories import RollFolder, RollPapers, papers_unreadable, read_papers, roll_folders
from rollproof.hashing import ALGORITHMS, raw_of
from rollproof.models.delivery_results import PackedCompared, PackingCheck
from rollproof.models.errors import Interrupted, UntrustedInput, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.grouped import grouped
from rollproof.models.names import inert, is_safe_relative, shown, to_text
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Volume
from rollproof.reading.files import FileReader
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.tree.snapshot import take_snapshot

_TAIL = len(b"_YYYY-MM-DD_HHMMSSZ.mhl")
_HEAD = len(b"0001_")
_FILE_NAME = re.compile(rb"[0-9]{4,6}_(.+)_[0-9]{4}-[0-9]{2}-[0-9]{2}_[0-9]{6}Z\.mhl", re.DOTALL)
_CALL = "call the sender: is it the right drive, and the right list? keep every other copy"


@dataclass(slots=True)
class Listed:
    """One manifest of a packing list. `name` is the roll folder's as its file name gives it."""

    file: bytes
    name: bytes
    files: Mapping[bytes, Expected]


@dataclass(slots=True)
class PackingList:
    """A packing list as read. It is whole only without findings of severity error."""

    folder: bytes
    lists: list[Listed] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def read_packing_list(io: Io, folder: bytes) -> PackingList:
    """Read the collection in a folder and every manifest it names; each must have the C4 that the collection gives.

    What is wrong with one manifest is a finding, and it is left out. UsageProblem when there is no collection there or
    it cannot be read: said before a long read begins.
    """
    out = PackingList(folder)
    where = shown(folder)
    try:
        handle = io.open_root(folder)
        try:
            entries = read_chain(io, handle, COLLECTION_NAME)
            for entry in entries or ():
                _take(io, handle, entry, out)
        finally:
            with contextlib.suppress(OSError):
                io.close(handle)
    except (OSError, UntrustedInput) as problem:
        why = said(problem) if isinstance(problem, OSError) else problem.message
        raise UsageProblem(
            f"the packing list in {where} cannot be read: {why}", hint="name the folder that the sender has sent"
        ) from None
    if not entries:
        raise UsageProblem(
            f"there is no packing list in {where}: it has no {to_text(COLLECTION_NAME)} that names anything",
            hint="name the folder that the sender has sent, with the collection and its manifests in it",
        )
    return out


def _take(io: Io, folder: int, entry: ChainEntry, out: PackingList) -> None:
    def wrong(kind: Kind, what: str) -> None:
        remedy = "let the sender send the packing list again"
        out.findings.append(error(kind, what, path=shown(entry.path), drive=shown(out.folder), remedy=remedy))

    if not is_safe_relative(entry.path) or b"/" in entry.path:
        wrong(Kind.PATH_ESCAPES, "the packing list names a manifest outside of its folder; it was never opened")
        return
    if not is_manifest_name(entry.path):
        wrong(Kind.BAD_MANIFEST, f"{shown(entry.path)} does not have the name of a manifest")
        return
    noted = Noted()
    files = ExpectedFiles()
    try:
        if c4_of(io, folder, entry.path) != entry.c4:
            wrong(Kind.MANIFEST_CHANGED, f"{shown(entry.path)} was changed: it does not match the collection")
            return
        for item in ManifestReader(manifest_chunks(io, folder, entry.path), noted, shown(entry.path)):
            if isinstance(item, FileHash):
                files.take(item)
    except FileNotFoundError:
        wrong(Kind.MANIFEST_MISSING, f"the packing list names {shown(entry.path)}, and it is not there")
        return
    except OSError as failure:
        wrong(Kind.UNREADABLE, f"{shown(entry.path)} cannot be read ({said(failure)})")
        return
    except UntrustedInput as problem:
        wrong(Kind.BAD_MANIFEST, f"{shown(entry.path)} is no sound manifest: {problem.message}")
        return
    out.findings += [replace(finding, drive=shown(out.folder)) for finding in noted.all()]
    named = _FILE_NAME.fullmatch(entry.path)
    out.lists.append(Listed(entry.path, named.group(1) if named else entry.path, files.found))


class ArrivalCheck:
    """Compares the rolls of a drive with a packing list."""

    def __init__(self, ctx: Context) -> None:
        self._io = ctx.io
        self._drives = ctx.drives
        self._cancel = ctx.cancel
        self._journal = ReadingJournal(ctx.station, "receive")
        self._reader = FileReader(ctx.io, ctx.settings, ctx.emit, ctx.cancel)
        self.findings: list[Finding] = []
        self.hangs = False

    def run(
        self, drive: bytes, packing: PackingList, wrong: Mapping[bytes, Collection[str]] | None = None
    ) -> PackingCheck:
        """Compare every roll at or below `drive`. Raises Interrupted; what is wrong is in `findings`.

        `wrong` are, by roll folder, the files that were just read and are not what their papers say.
        """
        self.findings += packing.findings
        waiting = list(packing.lists)
        compared: list[PackedCompared] = []
        added: list[str] = []
        for found in roll_folders(self._io, self._drives, drive, self._cancel, self.findings):
            if self._cancel.is_set():
                raise Interrupted("interrupted while comparing with the packing list")
            try:
                papers, handle, volume = read_papers(self._io, self._drives, found)
            except OSError as failure:
                self.findings.append(papers_unreadable(found, said(failure)))
                continue
            try:
                there = self._listing(papers, handle)
                listed = _best(waiting, found, there)
                if listed is None:
                    added.append(inert(papers.roll))
                    self._say(Kind.ROLL_ADDED, papers, f"roll {inert(papers.roll)} is in no list", _CALL)
                    continue
                waiting.remove(listed)
                wrongly = (wrong or {}).get(found.path, ())
                compared.append(self._compare(listed, papers, there, handle, volume, wrongly))
            finally:
                if not self.hangs:
                    with contextlib.suppress(OSError):
                        self._io.close(handle)
        for listed in waiting:
            compared.append(_gone(listed))
            detail = f"roll {shown(listed.name)} is in the packing list and not on this drive"
            self.findings.append(
                error(Kind.ROLL_MISSING, detail, path=shown(listed.file), drive=shown(drive), remedy=_CALL)
            )
        bad = any(finding.severity is Severity.ERROR for finding in self.findings)
        self.findings = grouped(self.findings)
        same = not bad and all(line.state == "same" for line in compared)
        return PackingCheck(folder=shown(packing.folder), same=same, lists=compared, added=added)

    def _listing(self, papers: RollPapers, handle: int) -> Snapshot:
        rules, _ = copy_rules(papers.expectation, shown(papers.path))
        return take_snapshot(self._io, handle, rules, cancel=self._cancel)

    def _compare(
        self,
        listed: Listed,
        papers: RollPapers,
        there: Snapshot,
        handle: int,
        volume: Volume,
        wrong: Collection[str],
    ) -> PackedCompared:
        numbers = {entry.path: number for number, entry in enumerate(there.files)}
        differ: list[bytes] = []
        to_read: dict[int, tuple[str, ...]] = {}
        missing = [path for path in listed.files if path not in numbers]
        for path, expected in listed.files.items():
            number = numbers.get(path)
            if number is None:
                continue
            wanted = papers.files.get(path)
            same = None if wanted is None else _agrees(expected, wanted.hashes)
            if expected.size is not None and expected.size != there.files[number].size:
                differ.append(path)
            elif same is None:
                to_read[number] = tuple(name for name in expected.algorithms if name in ALGORITHMS)
            elif not same or to_text(path) in wrong or shown(path) in wrong:
                differ.append(path)
        if to_read:
            differ += self._read(listed, papers, there, to_read, handle, volume)
        histories = tuple(folder + b"/ascmhl/" for folder, _ in papers.histories if folder)
        added = [
            path for path in numbers if path not in listed.files and not (histories and path.startswith(histories))
        ]
        for kind, paths, what in (
            (Kind.DIFFERS, differ, "is not what the packing list says"),
            (Kind.MISSING, missing, "is in the packing list and not there"),
            (Kind.UNKNOWN_FILE, added, "is not in the packing list"),
        ):
            severity = Severity.WARNING if kind is Kind.UNKNOWN_FILE else Severity.ERROR
            for path in sorted(paths):
                self._say(kind, papers, f"{shown(path)} {what}", _CALL, path=shown(path), severity=severity)
        return PackedCompared(
            manifest=to_text(listed.file),
            roll=inert(papers.roll),
            path=shown(papers.path),
            files=len(listed.files),
            state="differs" if differ or missing else "same",
            differ=len(differ),
            missing=len(missing),
            added=len(added),
        )

    def _read(
        self,
        listed: Listed,
        papers: RollPapers,
        there: Snapshot,
        to_read: dict[int, tuple[str, ...]],
        handle: int,
        volume: Volume,
    ) -> list[bytes]:
        drive = shown(papers.path)
        readings = ListReadings(self._journal, volume, place_on(volume, papers.path), drive)
        told = readings.told(there.files, lambda path, texts: _agrees(listed.files[path], texts) is True)
        read = self._reader.read(handle, volume, there.files, to_read, name=papers.roll, drive=drive, told=told)
        self.hangs = read.hangs
        self.findings += readings.trouble() if self.hangs else readings.end()
        self.findings += [finding if finding.drive else replace(finding, drive=drive) for finding in read.findings]
        out = []
        for number in to_read:
            path = there.files[number].path
            if number not in read.hashes or _agrees(listed.files[path], read.hashes.texts(number)) is not True:
                out.append(path)
        return out

    def _say(
        self,
        kind: Kind,
        papers: RollPapers,
        detail: str,
        remedy: str,
        *,
        path: str = "",
        severity: Severity = Severity.ERROR,
    ) -> None:
        self.findings.append(Finding(kind, severity, path, detail, shown(papers.path), remedy))


def _agrees(expected: Expected, texts: Mapping[str, str]) -> bool | None:
    """Whether every algorithm that both know agrees; None when there is none."""
    agree = [raw_of(name, texts[name]) == raw for name, raw, _ in expected.good() if name in texts]
    return all(agree) if agree else None


def _best(waiting: Sequence[Listed], found: RollFolder, there: Snapshot) -> Listed | None:
    """The list of this roll: by the folder's name, or, where no list has it, by the files they have in common."""
    folder = os.path.basename(os.path.realpath(found.path))
    names = {folder, plain_name(folder, 255 - _HEAD - _TAIL)}
    candidates = [listed for listed in waiting if listed.name in names]
    if len(candidates) == 1:
        return candidates[0]
    sizes = {entry.path: entry.size for entry in there.files}

    def common(listed: Listed) -> int:
        return sum(sizes.get(path) == each.size for path, each in listed.files.items())

    if candidates:
        return max(candidates, key=common)
    renamed = [listed for listed in waiting if 2 * common(listed) > len(listed.files)]
    return max(renamed, key=common, default=None)


def _gone(listed: Listed) -> PackedCompared:
    return PackedCompared(
        manifest=to_text(listed.file),
        roll=shown(listed.name),
        path=None,
        files=len(listed.files),
        state="missing",
        differ=0,
        missing=len(listed.files),
        added=0,
    )
