"""What an offload writes beside each copy: the ASC MHL generation, then the record."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.ascmhl.expected import Outcome, judged
from rollproof.ascmhl.manifest_xml import ManifestBody
from rollproof.ascmhl.model import Action, FileHash, Generation, Process, WrittenManifest
from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.write import write_generation
from rollproof.copies.beside_records import manifest_name
from rollproof.hashing import ALGORITHMS
from rollproof.models.findings import Finding
from rollproof.models.results import CopyState
from rollproof.models.volumes import Evidence
from rollproof.proof.board import ProofBoard
from rollproof.proof.evidence import weakest
from rollproof.records.blocks import copy_block, source_block, this_station
from rollproof.records.models import (
    By,
    CopyBlock,
    DigestBlock,
    OffloadHeader,
    PaceBlock,
    SourceBlock,
    Totals,
    finding_blocks,
)
from rollproof.records.rows import CLIP_HEALTH, ClipRow, FileRow, FilesDigest
from rollproof.records.signing import Signer
from rollproof.records.write import RowLines, append_record
from rollproof.station.authorship import this_creator
from rollproof.station.keys import station_signer
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.offload.clip_check import CardLook
from rollproof.workflows.offload.order import Order
from rollproof.workflows.offload.source import Source
from rollproof.workflows.offload.target import DriveAtWork, rows_of


@dataclass(slots=True)
class EvidenceWriter:
    """Writes the evidence of one drive, in that drive's lane. `source_findings` are those after the last read, `states`
    tells the siblings' states at this moment."""

    io: Io
    source: Source
    board: ProofBoard
    drives: Sequence[DriveAtWork]
    order: Order
    day: str | None
    unit: str | None
    started_at: datetime
    source_findings: Callable[[], Sequence[Finding]]
    states: Callable[[str], CopyState]
    look: CardLook | None = None
    pace: Callable[[str], tuple[PaceBlock, ...]] = lambda drive: ()
    signer: Signer = field(default_factory=station_signer)
    _known_digest: DigestBlock | None = None
    _known_body: ManifestBody | None = None
    _known_rows: dict[bool, RowLines] = field(default_factory=dict)
    _once: threading.Lock = field(default_factory=threading.Lock)
    """What is the same on several drives is worked out by the first that gets so far; nothing is written meanwhile."""

    def __call__(self, at: DriveAtWork, state: CopyState) -> str:
        """Carried histories first, then the manifest, then the record, all flushed; returns the record's name.

        Raises UntrustedInput when a paper of the source has changed meanwhile, OSError when the drive fails.
        """
        if self.source.carried is not None:
            self.source.carried.onto(self.io, at, self._medium(at))
        if self.look is not None:
            self.look.settle()
        manifest = self._manifest(at)
        at.noted += manifest.findings
        findings = [
            *self.source.findings,
            *self.source_findings(),
            *at.findings,
            *self.board.copy_findings(at.drive),
            *manifest.findings,
            *(self.look.findings() if self.look is not None else ()),
        ]
        header = OffloadHeader(
            by=By(name=self.order.request.person.name, role=self.order.request.person.role),
            station=this_station(),
            production=at.production,
            roll=self.source.roll,
            source=self._source_block(),
            policy=self.order.policy,
            copy_=self._copy(at, state),
            other_copies=tuple(self._copy(other, self.states(other.drive)) for other in self.drives if other is not at),
            findings=finding_blocks(findings),
            totals=self._totals(at),
            files_digest=self._card_digest(),
            day=self.day,
            unit=self.unit,
            ignore=self._patterns(),
            pace=self.pace(at.drive),
            founded_by=at.founded_by,
            manifest=manifest_name(manifest),
        )
        written = append_record(
            self.io,
            at.handle,
            header,
            self._rows(at),
            clips=self._clips(),
            signer=self.signer,
            as_read=at.records_read,
            medium=self._medium(at),
        )
        at.noted += written.notes
        if written.unsigned is not None:
            at.noted.append(written.unsigned)
        return written.name

    def _medium(self, at: DriveAtWork) -> MediumAccess:
        return MediumAccess(self.io, at.volume.way, at.volume.source)

    def _source_block(self) -> SourceBlock:
        return source_block(
            self.source.volume,
            reads=self._reads(),
            listing_digest=self.source.snapshot.listing_digest,
            copy_folder=self.source.copy_folder,
        )

    def _clips(self) -> Iterator[ClipRow]:
        if self.look is not None:
            yield from self.look.rows()
            return
        for clip in self.source.clips:
            health = clip.health if clip.health in CLIP_HEALTH else "unknown"
            yield ClipRow(clip.name, len(clip.files), clip.size_bytes, health=health)

    def _patterns(self) -> tuple[str, ...]:
        return self.source.rules.for_copy().patterns

    def _reads(self) -> list[Evidence]:
        found = (self.board.source_evidence(0), self.board.source_evidence(1))
        return [evidence for evidence in found if evidence is not None]

    def _copy(self, at: DriveAtWork, state: CopyState) -> CopyBlock:
        now = self.board.readback_evidence(at.drive)
        carried = at.proven_readback if at.plan.expected else None
        return copy_block(
            at.volume,
            drive=at.drive,
            role=at.role,
            state=state,
            readback=weakest([evidence for evidence in (now, carried) if evidence is not None]),
            folder=at.folder_on_volume,
        )

    def _totals(self, at: DriveAtWork) -> Totals:
        many = len(self.source.snapshot.files)
        proven, copied = self.board.count_proven(at.drive), self.board.count_copied(at.drive)
        return Totals(
            files=many,
            bytes=self.source.snapshot.size_bytes,
            proven=proven,
            copied=copied - proven,
            failed=many - copied,
            carried=len(at.plan.expected),
        )

    def _card_digest(self) -> DigestBlock | None:
        """The digest of what the card holds."""
        with self._once:
            if self._known_digest is None:
                self._known_digest = self._digest()
            return self._known_digest

    def _digest(self) -> DigestBlock | None:
        algorithm = self.board.proof_algorithm
        digest = FilesDigest(algorithm)
        for number, entry in enumerate(self.source.snapshot.files):
            text = self.board.hashes(number).get(algorithm)
            if text is None:
                return None
            digest.add(entry.path, entry.size, text)
        return DigestBlock(algorithm=algorithm, sha256=digest.text())

    def _rows(self, at: DriveAtWork) -> Iterable[FileRow] | RowLines:
        """The record's rows: the same on all drives where every file is proven, or every file just copied."""
        rows = rows_of(self.source.snapshot, at, self.board)
        proven = self.board.all_proven(at.drive)
        if not proven and not (self.board.none_provable() and self.board.all_copied(at.drive)):
            return rows
        with self._once:
            if proven not in self._known_rows:
                self._known_rows[proven] = RowLines(rows)
            known = self._known_rows[proven]
        return known if known.whole else rows_of(self.source.snapshot, at, self.board)

    # --- the open standard

    def _manifest(self, at: DriveAtWork) -> WrittenManifest:
        history = read_history(self.io, at.handle)
        algorithms = tuple(name for name in self.board.algorithms if ALGORITHMS[name].standard_name is not None)
        board, snapshot = self.board, self.source.snapshot
        clips = self.look.metadata() if self.look is not None else {}

        class Files:
            """Goes through the files anew each time: the writer needs them twice."""

            def __iter__(self) -> Iterator[FileHash]:
                whole = board.all_copied(at.drive)
                for number, entry in enumerate(snapshot.files):
                    if not whole and not board.is_copied(at.drive, number):
                        continue  # not there, or not to be trusted: the record says so
                    known = board.hashes(number)
                    hashes = known if len(known) == len(algorithms) else {name: known[name] for name in algorithms}
                    fresh = FileHash(
                        path=entry.path,
                        size=entry.size,
                        modified_ns=entry.modified_ns,
                        hashes=hashes,
                        action=Action.ORIGINAL,
                        clip=clips.get(number),
                    )
                    outcome, told = judged(history, fresh)
                    if outcome is not Outcome.NOT_COMPARED:
                        yield told

        generation = Generation(
            process=Process.TRANSFER,
            started_at=self.started_at,
            creator=this_creator(self.order.request.person),
            algorithms=algorithms,
            files=Files(),
            folders=snapshot.folders,
            ignore_patterns=tuple(dict.fromkeys((*history.ignore_patterns, *self._patterns()))),
        )
        carried = self.source.carried
        with_inner = carried.with_inner(self.io, at, generation) if carried is not None else generation
        return write_generation(
            self.io,
            at.handle,
            os.path.basename(at.relative),
            with_inner,
            medium=self._medium(at),
            body=None if history.present or with_inner is not generation else self._body(at, generation),
        )

    def _body(self, at: DriveAtWork, generation: Generation) -> ManifestBody | None:
        """What the first generation says of the files: the same on all drives that have everything."""
        if not self.board.all_copied(at.drive):
            return None
        with self._once:
            if self._known_body is None:
                self._known_body = ManifestBody(generation)
            return self._known_body
