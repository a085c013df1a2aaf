"""The source's side of a copy of a copy: open it, read its papers, list it, say what of it can be passed on.

The source is only read here. Its papers must be whole: hashes that somebody may have changed are nothing to compare
with, and a broken chain carried along would break every copy's.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from rollproof.card.clips import group_clips
from rollproof.card.expectation import expectation_findings
from rollproof.copies.history import Expectation, Wanted, copy_rules, read_expectation, speaks_against
from rollproof.copies.location import place_on
from rollproof.copies.recorded_tree import RecordedSet, RecordedTree, RulesAround
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.drives.interface import Drives
from rollproof.hashing import ALGORITHMS, proof_algorithm
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import Refused, UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import MARKER_NAME, shown, to_text
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.records.chain import compare_with_memory
from rollproof.records.models import OffloadHeader
from rollproof.station.ledger import StationLedger
from rollproof.storage.errors import said
from rollproof.storage.files import exists
from rollproof.storage.io import Io
from rollproof.tree.snapshot import listing_digest, take_snapshot
from rollproof.workflows.offload.card import CardAtWork

_ANOTHER = "copy this roll from another copy of it; keep this one as it is until the reason is found"
_BAD_ROWS = frozenset(("failed", "incomplete", "differs", "missing"))


@dataclass(slots=True)
class CopyAtWork(CardAtWork):
    """A recorded copy as the source of further ones. `papers` are its own; `there` is everything that lies in it,
    while `snapshot` holds what is to be copied, with the modification times that were recorded.

    `originals` has one byte for each file of the snapshot: whether the records show that what they say of it was read
    twice from the card (or nothing in them is of a card). `shapes` are the sets of algorithms one of which must be
    computed. `missing` and `differ` are paths that are gone, or seen without reading to be others.
    """

    papers: Expectation = field(kw_only=True)
    there: Snapshot = field(kw_only=True)
    around: RulesAround = field(kw_only=True)
    inner: tuple[bytes, ...] = ()
    originals: bytearray = field(default_factory=bytearray)
    shapes: set[frozenset[str]] = field(default_factory=set)
    missing: list[bytes] = field(default_factory=list)
    differ: list[bytes] = field(default_factory=list)
    unknown: list[bytes] = field(default_factory=list)

    @property
    def newest(self) -> OffloadHeader | None:
        """The newest offload record, if the roll has records at all."""
        return self.papers.newest

    @property
    def folder_on_volume(self) -> bytes:
        """Where the roll folder lies on its volume."""
        return place_on(self.volume, self.path)

    def recorded(self, number: int) -> Mapping[str, str]:
        """What a file of the snapshot must hash to."""
        wanted = self.papers.files.get(self.snapshot.files[number].path)
        return wanted.hashes if wanted is not None else {}

    def algorithms(self, asked: Iterable[str]) -> tuple[str, ...]:
        """Those asked for, and for every recorded file one that it was recorded with."""
        chosen = dict.fromkeys(asked)
        for shape in sorted(self.shapes, key=sorted):
            if shape.isdisjoint(chosen):
                chosen[proof_algorithm(shape)] = None
        return tuple(chosen)


def open_copy(
    io: Io,
    drives: Drives,
    tree: RecordedTree,
    found: RecordedSet,
    request: OffloadRequest,
    cancel: Cancel,
    station: StationLedger,
) -> CopyAtWork:
    """Open and list a recorded copy, under its lock. Raises Refused where its papers are nothing to go by."""
    path = tree.path_of(found.folder)
    try:
        root = io.open_root(path)
    except OSError as error:
        raise _refused(Kind.CARD_MISSING, path, f"the roll folder cannot be opened ({said(error)})") from error
    try:
        volume = drives.volume_of(path)
        if not try_lock(io, root):
            raise Refused("locked", [locked_finding("", path)])
        return _Opening(io, path, root, volume, found, cancel).run(request, station)
    except BaseException as problem:
        with contextlib.suppress(OSError):
            io.close(root)
        if isinstance(problem, OSError):
            raise _refused(Kind.UNREADABLE, path, f"the roll folder cannot be read ({said(problem)})") from problem
        if isinstance(problem, UntrustedInput):
            raise _refused(Kind.BAD_RECORD, path, f"its papers cannot be relied on: {problem.message}") from problem
        raise


def _refused(kind: Kind, path: bytes, detail: str) -> Refused:
    return Refused(detail, [Finding(kind, Severity.ERROR, shown(path), detail, remedy=_ANOTHER)])


class _Opening:
    def __init__(self, io: Io, path: bytes, root: int, volume: Volume, found: RecordedSet, cancel: Cancel) -> None:
        self._io = io
        self._path = path
        self._root = root
        self._volume = volume
        self._set = found
        self._cancel = cancel
        self._findings: list[Finding] = []

    def run(self, request: OffloadRequest, station: StationLedger) -> CopyAtWork:
        """From the papers to what is to be copied."""
        papers = read_expectation(self._io, self._root, self._volume, "")
        self._judge_papers(papers, station)
        rules, hidden = copy_rules(papers, "")
        around = RulesAround(rules.own, inner=self._set.inner)
        there = take_snapshot(self._io, self._root, around, cancel=self._cancel)
        self._findings += hidden
        self._findings += [finding for finding in there.findings if speaks_against(finding)]
        self._findings += [finding for finding in there.findings if finding.severity is not Severity.ERROR]
        newest = papers.newest
        roll = (
            newest.roll
            if newest is not None and newest.roll
            else to_text(os.path.basename(os.path.realpath(self._path)))
        )
        copy = CopyAtWork(
            path=self._path,
            root=self._root,
            volume=self._volume,
            rules=around,
            snapshot=there,
            clips=[],
            roll=roll,
            findings=self._findings,
            identity=_known_as(papers, self._volume),
            kind="copy",
            papers=papers,
            there=there,
            around=around,
            inner=self._set.inner,
        )
        self._sort_out(copy)
        copy.clips = group_clips(copy.snapshot)
        self._say(copy)
        self._findings += expectation_findings(copy.clips, request.expect_clips, request.expect_last)
        return copy

    def _judge_papers(self, papers: Expectation, station: StationLedger) -> None:
        bad = [replace(found, remedy=_ANOTHER) for found in papers.findings if found.severity is Severity.ERROR]
        bad += self._not_as_remembered(papers, station)
        if bad:
            raise Refused("the roll's papers are not whole", bad)
        if not papers.files:
            detail = "nothing is recorded of this roll that its files could be compared with"
            unfinished = exists(self._io, self._root, MARKER_NAME) is not None
            kind = Kind.NOT_FINISHED if unfinished else Kind.NO_HISTORY
            remedy = "run the offload of its card again" if unfinished else "offload its card, or find its papers"
            raise Refused(detail, [Finding(kind, Severity.ERROR, shown(self._path), detail, remedy=remedy)])
        self._findings += papers.findings
        if exists(self._io, self._root, MARKER_NAME) is not None:
            self._findings.append(
                Finding(
                    Kind.NOT_FINISHED,
                    Severity.ERROR,
                    "",
                    "the offload of this roll was not finished on the drive it is copied from",
                    remedy="finish that offload, or copy the roll from another copy; what is recorded well is copied",
                )
            )

    def _not_as_remembered(self, papers: Expectation, station: StationLedger) -> list[Finding]:
        """Records that this station remembers and that are gone or others now: their hashes are not to be trusted."""
        folder = place_on(self._volume, self._path)

        def digests(ledger: Ledger) -> list[dict[int, list[str]]]:
            copies = ledger.copies_on(DriveIdentity.of(self._volume))
            return [ledger.digests_of(copy.id) for copy in copies if copy.folder == folder]

        known = station.tell(digests) or []
        self._findings += station.findings()
        return [
            replace(found, remedy="verify that copy, and compare it with another one, before it is passed on")
            for remembered in known
            for found in compare_with_memory(papers.chain, remembered)
        ]

    # --- what is to be copied

    def _sort_out(self, copy: CopyAtWork) -> None:
        papers, there = copy.papers, copy.there
        bad, original = self._rows(copy)
        files: list[FileEntry] = []
        lacking: list[FileEntry] = []
        for entry in there.files:
            wanted = papers.files.get(entry.path)
            if entry.path in bad:
                continue
            if wanted is None:
                copy.unknown.append(entry.path)
            elif wanted.size is not None and wanted.size != entry.size:
                copy.differ.append(entry.path)
                lacking.append(_entry(entry.path, wanted))
                continue
            elif wanted.modified_ns is not None:
                # what is restored is the date that the card gave, not what another file system made of it
                entry = entry._replace(modified_ns=wanted.modified_ns)  # noqa: PLW2901
            files.append(entry)
            copy.originals.append(original.get(entry.path, True))
        on_drive = {entry.path for entry in there.files} | set(there.ignored)
        for path, wanted in papers.files.items():
            if path not in on_drive and path not in bad:
                copy.missing.append(path)
                lacking.append(_entry(path, wanted))
        copy.missing.sort()
        lacking += bad.values()
        copy.lacking = tuple(lacking)
        copy.snapshot = Snapshot(
            files=tuple(files),
            folders=there.folders,
            ignored=there.ignored,
            findings=there.findings,
            listing_digest=listing_digest(files, there.folders),
        )
        for path in sorted(bad):
            self._findings.append(
                Finding(
                    Kind.NOT_PROVEN,
                    Severity.ERROR,
                    shown(path),
                    f"{shown(path)} never became a good copy: its offload says so; it is not passed on",
                    remedy="offload its card again, or copy the roll from another copy",
                )
            )

    def _rows(self, copy: CopyAtWork) -> tuple[dict[bytes, FileEntry], dict[bytes, bool]]:
        """Files that the records call bad, and those that they do not show to be the card's; and the algorithms."""
        bad: dict[bytes, FileEntry] = {}
        original: dict[bytes, bool] = {}
        papers = copy.papers
        recorded: set[bytes] = set()
        for row, is_original in papers.standing.iter_originals():
            known = frozenset(name for name in row.hashes if name in ALGORITHMS)
            if row.state in _BAD_ROWS or not known:
                bad[row.path] = FileEntry(row.path, row.size, row.modified_ns)
                continue
            recorded.add(row.path)
            copy.shapes.add(known)
            if not is_original:
                original[row.path] = False
        for path, expected in papers.history.expected.items():
            if path not in bad:
                copy.shapes.add(frozenset(expected.algorithms))
        return bad, original

    def _say(self, copy: CopyAtWork) -> None:
        for kind, severity, paths, what, remedy in (
            (Kind.MISSING, Severity.ERROR, copy.missing, f"is recorded and not in {shown(copy.path)}", _ANOTHER),
            (
                Kind.DIFFERS,
                Severity.ERROR,
                copy.differ,
                f"in {shown(copy.path)} has another size than was recorded: it is not passed on",
                _ANOTHER,
            ),
            (
                Kind.UNKNOWN_FILE,
                Severity.WARNING,
                copy.unknown,
                f"in {shown(copy.path)} is in no record; it is copied as new",
                "look who put it there",
            ),
        ):
            self._findings += [
                Finding(kind, severity, shown(path), f"{shown(path)} {what}", remedy=remedy) for path in paths
            ]
        weak = copy.originals.count(0)
        if weak:
            first = next(
                entry.path for entry, good in zip(copy.snapshot.files, copy.originals, strict=True) if not good
            )
            self._findings.append(
                Finding(
                    Kind.SINGLE_READ,
                    Severity.WARNING,
                    shown(first),
                    "the card of this roll was not read twice from the medium: its copies are copied, not proven",
                    remedy="read the card again while it still holds the roll: rollproof may-wipe CARD does that",
                    count=weak,
                )
            )


def _entry(path: bytes, wanted: Wanted) -> FileEntry:
    return FileEntry(path, wanted.size or 0, wanted.modified_ns or 0)


def _known_as(papers: Expectation, volume: Volume) -> Volume:
    """The roll is known by its card, whichever copy it is copied from."""
    offloads = [link.header for link in papers.chain.links if isinstance(link.header, OffloadHeader)]
    card = next((header.source for header in reversed(offloads) if not header.of_copy), None)
    serial = card.serial if card is not None else None
    return replace(volume, serial=serial, boot_id=None, device=replace(volume.device, key=None, disk_sequence=None))
