"""What the copying shows of the source itself: it was read whole and compared with its papers, as a verify does.

It is written down beside the source, where that can be written to, in two cases only: everything was as recorded and
came from the medium, or something was not as recorded. A source whose reads a cache may have answered learns nothing.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from datetime import datetime

from rollproof.ascmhl.write import write_generation
from rollproof.copies.beside_records import manifest_name
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, note, warning
from rollproof.models.names import shown
from rollproof.models.reads import Reads
from rollproof.models.requests import Person
from rollproof.models.volumes import Evidence
from rollproof.proof.board import ProofBoard
from rollproof.records.chain import read_chain
from rollproof.records.standing import standing
from rollproof.records.write import append_record
from rollproof.station.keys import station_signer
from rollproof.storage.errors import not_writable, said
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.offload.recorded_source import RecordedSource
from rollproof.workflows.verify.evidence import verify_generation, verify_header, verify_rows
from rollproof.workflows.verify.work import Work


@dataclass(slots=True)
class SourceVerified:
    """What is now known of the source. `clean` is None where nothing was learnt; `findings` are warnings and notes."""

    clean: bool | None = None
    findings: list[Finding] = field(default_factory=list)
    told: list[Finding] = field(default_factory=list)
    """What is wrong with it, for the ledger."""


def verified_source(
    io: Io, copy: RecordedSource, board: ProofBoard, started_at: datetime, person: Person
) -> SourceVerified:
    """Judge the source by what was read of it, and append to its histories. To be called under its lock.

    A drive that does not take the evidence is a warning: the copies that were made are not touched by it.
    """
    work = _work(copy, board)
    wrong = bool(work.differ or work.missing)
    whole = all(number in copy.rule.reads for number in range(len(copy.snapshot.files)))
    from_medium = board.source_evidence(0) is Evidence.MEDIUM
    others = any(finding.severity is Severity.ERROR for finding in copy.findings)
    if not wrong and not (whole and from_medium and not others):
        return SourceVerified()
    found = SourceVerified(clean=not wrong)
    found.told = [finding for finding in [*copy.findings, *board.source_findings] if finding.severity is Severity.ERROR]
    work.findings += found.told if wrong else []
    if copy.volume.read_only or not os.access(copy.path, os.W_OK):
        found.findings.append(
            note(
                Kind.READ_ONLY,
                f"{not_writable(copy.path, read_only=copy.volume.read_only)}: what was seen of the copy that was copied"
                " from is not written down there",
                path=shown(copy.path),
            )
        )
        return found
    if copy.inner:
        return found  # its history refers to inner ones: `verify` appends to all of them together
    medium = MediumAccess(io, copy.volume.way, copy.volume.source)
    name = os.path.basename(os.path.realpath(copy.path))
    try:
        manifest = write_generation(io, copy.root, name, verify_generation(work, started_at, person), medium=medium)
        if copy.papers.newest is not None:
            append_record(
                io,
                copy.root,
                verify_header(work, person, manifest_name(manifest)),
                list(verify_rows(work)),
                signer=station_signer(),
                as_read=copy.papers.chain.digests,
                medium=medium,
            )
    except (OSError, UntrustedInput) as problem:
        why = said(problem) if isinstance(problem, OSError) else problem.message
        found.findings.append(
            warning(
                Kind.DRIVE_FAILED,
                f"what was seen of the copy that was copied from could not be written down there ({why})",
                path=shown(copy.path),
                remedy="check that drive, then verify it",
            )
        )
    return found


def stands_proven(io: Io, copy: RecordedSource) -> bool:
    """Whether the source is, by its own records as they are now, a proven copy on its device."""
    chain = read_chain(io, copy.root)
    return standing(io, copy.root, chain, copy.volume, folder=copy.copy_folder).state == "proven"


def _work(copy: RecordedSource, board: ProofBoard) -> Work:
    numbers = {entry.path: number for number, entry in enumerate(copy.snapshot.files)}
    reads = Reads(copy.there.files)
    for at, entry in enumerate(copy.there.files):
        number = numbers.get(entry.path)
        if number is not None and number in copy.rule.reads:
            reads.add(at, copy.rule.reads.texts(number))
    # papers say what a verify compares with; its findings are about this roll on this drive
    work = Work(copy.path, shown(copy.path), copy.root, copy.volume, copy.papers, copy.there, reads, copy.rules)
    evidence = board.source_evidence(0)
    work.evidences |= {evidence} if evidence is not None else set()
    work.differ += sorted([*copy.differ, *(copy.snapshot.files[number].path for number in copy.rule.changed)])
    work.missing += copy.missing
    work.unknown += copy.unknown
    return work
