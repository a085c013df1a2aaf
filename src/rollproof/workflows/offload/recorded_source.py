"""The source's side of a copy of a copy: open it, read its papers, list it, say what of it can be passed on.

The source is only read here. Its papers must be whole: hashes that somebody may have changed are nothing to compare
with, and a broken chain carried along would break every copy's.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rollproof.card.clips import group_clips
from rollproof.card.expectation import expectation_findings
from rollproof.copies.history import Expectation, Wanted, copy_rules, read_expectation, speaks_against
from rollproof.copies.location import place_on
from rollproof.copies.recorded_tree import RecordedSet, RecordedTree, RulesAround
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.hashing import ALGORITHMS, chosen, proof_algorithm
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import Interrupted, Refused, UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.names import MARKER_NAME, inert, shown, to_text
from rollproof.models.requests import OffloadRequest
from rollproof.models.tree import Clip, FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.proof.board import ProofBoard
from rollproof.proof.source_rule import OneReadAgainstHistory
from rollproof.reading.buffers import BufferPool
from rollproof.reading.hashpass import HashPass, PassSettings
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import Stopped
from rollproof.reading.treereader import TreeLost, TreeReader
from rollproof.records.chain import compare_with_memory
from rollproof.records.models import OffloadHeader, SourceKind
from rollproof.station.context import Context
from rollproof.station.ledger import StationLedger
from rollproof.storage.errors import said
from rollproof.storage.files import exists
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.tree.snapshot import listing_digest, take_snapshot
from rollproof.workflows.offload.card_source import open_in_time
from rollproof.workflows.offload.carried import Carried
from rollproof.workflows.offload.order import Destination, Order
from rollproof.workflows.offload.source import Destinations
from rollproof.workflows.offload.target import DriveAtWork

_ANOTHER = "copy this roll from another copy of it; keep this one as it is until the reason is found"
_BAD_ROWS = frozenset(("failed", "incomplete", "differs", "missing"))


@dataclass(slots=True)
class RecordedSource:
    """A recorded copy that is copied on: see `Source`. `papers` are its own histories; `there` is everything that lies
    in it, while `snapshot` holds what is to be copied, with the modification times that were recorded.

    `originals` has one byte for each file of the snapshot: whether the records show that what they say of it was read
    twice from the card (or nothing in them is of a card). `shapes` are the sets of algorithms one of which must be
    computed. `missing` and `differ` are paths that are gone, or seen without reading to be others.
    """

    path: bytes
    root: int
    volume: Volume
    rules: RulesAround
    snapshot: Snapshot
    roll: str
    findings: list[Finding]
    known_as: Volume
    papers: Expectation
    there: Snapshot
    tree: RecordedTree
    found: RecordedSet
    place: tuple[int, int]
    clips: list[Clip] = field(default_factory=list)
    roll_from: str = ""
    counts: bool = False
    lacking: tuple[FileEntry, ...] = ()
    originals: bytearray = field(default_factory=bytearray)
    shapes: set[frozenset[str]] = field(default_factory=set)
    missing: list[bytes] = field(default_factory=list)
    differ: list[bytes] = field(default_factory=list)
    unknown: list[bytes] = field(default_factory=list)
    _rule: OneReadAgainstHistory | None = None

    @property
    def kind(self) -> SourceKind:
        """As `Source.kind`."""
        return "copy"

    @property
    def rule(self) -> OneReadAgainstHistory:
        """As `Source.rule`: one for as long as the source is open, for it keeps what was read."""
        if self._rule is None:
            self._rule = OneReadAgainstHistory(self.snapshot.files, self.recorded, self.originals)
        return self._rule

    @property
    def passes(self) -> int:
        """As `Source.passes`."""
        return 1

    @property
    def dates_are_recorded(self) -> bool:
        """As `Source.dates_are_recorded`."""
        return True

    @property
    def copied_around(self) -> frozenset[Kind]:
        """As `Source.copied_around`: what is wrong with single files, or with the offload that the copy came from."""
        bad_files = (Kind.DIFFERS, Kind.MISSING, Kind.NOT_FINISHED, Kind.NOT_PROVEN, Kind.UNKNOWN_FILE)
        return frozenset((*bad_files, Kind.LINK, Kind.SPECIAL_FILE, Kind.UNREADABLE, Kind.UNREADABLE_FOLDER))

    @property
    def inner(self) -> tuple[bytes, ...]:
        """Data sets inside the roll folder that have histories of their own."""
        return self.found.inner

    @property
    def newest(self) -> OffloadHeader | None:
        """The newest offload record, if the roll has records at all."""
        return self.papers.newest

    @property
    def copy_folder(self) -> bytes:
        """As `Source.copy_folder`."""
        return place_on(self.volume, self.path)

    @property
    def carried(self) -> Carried:
        """As `Source.carried`."""
        return Carried(self.root, self.papers.chain, self.papers.history, self.inner)

    def production(self, order: Order) -> str | None:
        """As `Source.production`: the one that its newest offload names."""
        return self.newest.production if self.newest is not None else None

    def day_and_unit(self, order: Order, day: str | None) -> tuple[str | None, str | None]:
        """As `Source.day_and_unit`: those of its newest offload."""
        if self.newest is not None:
            return self.newest.day, self.newest.unit
        return order.request.day, order.request.unit

    def destinations(self, order: Order, ctx: Context) -> Destinations:
        """As `Source.destinations`: the folder structure is kept."""
        relative = self.tree.placed(self.found.folder, self.volume.mount_point)
        return Destinations([Destination(drive, role, base, relative) for drive, role, base in order.targets], [])

    def recorded(self, number: int) -> Mapping[str, str]:
        """What a file of the snapshot must hash to; empty where nothing is recorded of it."""
        wanted = self.papers.files.get(self.snapshot.files[number].path)
        return wanted.hashes if wanted is not None else {}

    def algorithms(self, asked: Iterable[str]) -> tuple[str, ...]:
        """As `Source.algorithms`: those asked for, and for every recorded file one that it was recorded with."""
        names = dict.fromkeys(asked)
        for shape in sorted(self.shapes, key=sorted):
            if shape.isdisjoint(names):
                names[proof_algorithm(shape)] = None
        return chosen(tuple(names))

    def settle(self, board: ProofBoard, ctx: Context) -> Sequence[Finding]:
        """As `Source.settle`: what nothing is recorded of is read a second time; of all else the history has told
        enough."""
        numbers = board.unsettled()
        if not numbers:
            return []
        settings = ctx.settings
        access = MediumAccess(ctx.io, self.volume.way, self.volume.source, at_once=settings.files_on(self.volume))
        tree = OpenTree(self.root, self.snapshot.files, access, same_time=lambda now, then: True, words=board.words)
        reader = TreeReader(ctx.io, tree, settings)
        try:
            HashPass(
                BufferPool(settings.block_bytes),
                reader,
                (board.proof_algorithm,),
                settings,
                PassSettings(
                    "unknown again",
                    ctx.cancel.is_set,
                    settings.reads_on(self.volume.device, settings.pass_depth),
                ),
            ).run(numbers, board.source_hashed_again, board.source_fault)
        except Stopped:
            raise Interrupted("Stopped while reading the source.") from None
        except TreeLost as lost:
            for number in numbers:
                board.source_fault(number, lost.finding)
        return []

    def all_proven_by(self, drives: Sequence[DriveAtWork]) -> bool:
        """Whether a record on every drive proves what is recorded here: then there is nothing to be read."""
        if self.unknown or self.lacking or not drives or not all(at.all_covered for at in drives):
            return False
        return all(text in self.recorded(number).values() for at in drives for number, text in at.plan.expected.items())


@dataclass(frozen=True, slots=True)
class RecordedOpening:
    """A recorded copy that is about to be opened: see `roll.Opening`. `place` is its number among how many."""

    tree: RecordedTree
    found: RecordedSet
    place: tuple[int, int]

    @property
    def path(self) -> bytes:
        """As `Opening.path`."""
        return self.tree.path_of(self.found.folder)

    @property
    def kind(self) -> SourceKind:
        """As `Opening.kind`."""
        return "copy"

    def name(self, order: Order) -> str:
        """As `Opening.name`."""
        return shown(self.path.rpartition(b"/")[2])

    def open(self, order: Order, ctx: Context) -> RecordedSource:
        """As `Opening.open`."""
        copy = open_in_time(ctx, self.path, lambda inside: _open_copy(self, order, inside))
        theirs, ours = copy.production(order), order.production_name
        if theirs is not None and ours is not None and theirs != ours:
            copy.findings.append(
                error(
                    Kind.OTHER_PRODUCTION,
                    f"this roll is of the production {inert(theirs)}, the production file of {inert(ours)}",
                    path=shown(self.path),
                    remedy="name the right production file with --production, or work in a folder without one",
                )
            )
        return copy


def _open_copy(opening: RecordedOpening, order: Order, ctx: Context) -> RecordedSource:
    """Open and list a recorded copy, under its lock. Raises Refused where its papers are nothing to go by."""
    path, io = opening.path, ctx.io
    try:
        root = io.open_root(path)
    except OSError as error:
        raise _refused(Kind.CARD_MISSING, path, f"the roll folder cannot be opened ({said(error)})") from error
    try:
        volume = ctx.drives.volume_of(path)
        if not try_lock(io, root):
            raise Refused("locked", [locked_finding("", path)])
        return _Opening(io, root, volume, opening, ctx).run(order.request)
    except BaseException as problem:
        with contextlib.suppress(OSError):
            io.close(root)
        if isinstance(problem, OSError):
            raise _refused(Kind.UNREADABLE, path, f"the roll folder cannot be read ({said(problem)})") from problem
        if isinstance(problem, UntrustedInput):
            raise _refused(Kind.BAD_RECORD, path, f"its history cannot be relied on: {problem.message}") from problem
        raise


def _refused(kind: Kind, path: bytes, detail: str) -> Refused:
    return Refused(detail, [error(kind, detail, path=shown(path), remedy=_ANOTHER)])


class _Opening:
    def __init__(self, io: Io, root: int, volume: Volume, opening: RecordedOpening, ctx: Context) -> None:
        self._io = io
        self._path = opening.path
        self._root = root
        self._volume = volume
        self._of = opening
        self._ctx = ctx
        self._findings: list[Finding] = []

    def run(self, request: OffloadRequest) -> RecordedSource:
        """From the papers to what is to be copied."""
        papers = read_expectation(self._io, self._root, self._volume, "")
        self._judge_papers(papers, self._ctx.station)
        rules, hidden = copy_rules(papers, "")
        around = RulesAround(rules.own, inner=self._of.found.inner)
        there = take_snapshot(self._io, self._root, around, cancel=self._ctx.cancel)
        self._findings += hidden
        self._findings += [finding for finding in there.findings if speaks_against(finding)]
        self._findings += [finding for finding in there.findings if finding.severity is not Severity.ERROR]
        copy = RecordedSource(
            path=self._path,
            root=self._root,
            volume=self._volume,
            rules=around,
            snapshot=there,
            roll=self._roll(papers),
            findings=self._findings,
            known_as=_known_as(papers, self._volume),
            papers=papers,
            there=there,
            tree=self._of.tree,
            found=self._of.found,
            place=self._of.place,
        )
        self._sort_out(copy)
        copy.clips = group_clips(copy.snapshot)
        self._say(copy)
        self._findings += expectation_findings(copy.clips, request.expect_clips, request.expect_last)
        return copy

    def _roll(self, papers: Expectation) -> str:
        if papers.newest is not None and papers.newest.roll:
            return papers.newest.roll
        return to_text(os.path.basename(os.path.realpath(self._path)))

    def _judge_papers(self, papers: Expectation, station: StationLedger) -> None:
        bad = [replace(found, remedy=_ANOTHER) for found in papers.findings if found.severity is Severity.ERROR]
        bad += self._not_as_remembered(papers, station)
        if bad:
            raise Refused("the roll's history is not whole", bad)
        if not papers.files:
            detail = "nothing is recorded of this roll that its files could be compared with"
            unfinished = exists(self._io, self._root, MARKER_NAME) is not None
            kind = Kind.NOT_FINISHED if unfinished else Kind.NO_HISTORY
            remedy = "run the offload of its card again" if unfinished else "offload its card, or find its history"
            raise Refused(detail, [error(kind, detail, path=shown(self._path), remedy=remedy)])
        self._findings += papers.findings
        if exists(self._io, self._root, MARKER_NAME) is not None:
            self._findings.append(
                error(
                    Kind.NOT_FINISHED,
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

    def _sort_out(self, copy: RecordedSource) -> None:
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
                error(
                    Kind.NOT_PROVEN,
                    f"{shown(path)} never became a good copy: its offload says so; it is not passed on",
                    path=shown(path),
                    remedy="offload its card again, or copy the roll from another copy",
                )
            )

    def _rows(self, copy: RecordedSource) -> tuple[dict[bytes, FileEntry], dict[bytes, bool]]:
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

    def _say(self, copy: RecordedSource) -> None:
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
                warning(
                    Kind.SINGLE_READ,
                    "the card of this roll was not read twice from the medium: its copies are copied, not proven",
                    path=shown(first),
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
