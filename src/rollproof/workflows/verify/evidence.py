"""What a verify appends beside a copy: the generation of the open standard, and our own record."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from rollproof.ascmhl.expected import Outcome, judged
from rollproof.ascmhl.model import Action, FileHash, Generation, Process
from rollproof.copies.location import drive_and_role, place_on
from rollproof.copies.outer_history import is_below
from rollproof.hashing import ALGORITHMS, proof_algorithm
from rollproof.models.file_table import find_file
from rollproof.models.grouped import grouped
from rollproof.models.requests import Person
from rollproof.records.blocks import copy_block, this_station
from rollproof.records.models import By, DigestBlock, FindingBlock, ManifestName, Totals, VerifyHeader
from rollproof.records.rows import FileRow, FilesDigest
from rollproof.station.authorship import this_creator
from rollproof.workflows.verify.work import Work


def verify_generation(work: Work, started_at: datetime, person: Person) -> Generation:
    """The `in-place` generation of the open standard for what was read."""
    history = work.papers.history

    class Files:
        """Goes through the files anew each time: the writer needs them twice."""

        def __iter__(self) -> Iterator[FileHash]:
            for entry, texts in work.read:
                if is_below(entry.path, work.inner):
                    continue  # a file is recorded in the nearest history above it only
                standard = {name: text for name, text in texts.items() if ALGORITHMS[name].standard_name}
                if not standard:
                    continue
                fresh = FileHash(
                    path=entry.path,
                    size=entry.size,
                    modified_ns=entry.modified_ns,
                    hashes=standard,
                    action=Action.ORIGINAL,
                )
                outcome, told = judged(history, fresh)
                if outcome is Outcome.DIFFERS and fresh.path not in work.papers.files:
                    continue  # a stranger that was changed: no file of the roll failed
                if outcome is not Outcome.NOT_COMPARED:
                    yield told

    used = {name for shape in work.read.shapes() for name in shape if ALGORITHMS[name].standard_name}
    return Generation(
        process=Process.IN_PLACE,
        started_at=started_at,
        creator=this_creator(person),
        algorithms=(proof_algorithm(sorted(used)),) if used else ("xxh128",),
        files=Files(),
        folders=work.there.folders,
        ignore_patterns=tuple(dict.fromkeys((*history.ignore_patterns, *work.rules.patterns))),
    )


def verify_header(work: Work, person: Person, manifest: ManifestName | None = None) -> VerifyHeader:
    """The header of the verify record; `manifest` is the generation that was written before it."""
    newest = work.papers.newest
    clean = work.clean
    drive, role = drive_and_role(newest.copy_, work.volume) if newest is not None else (work.drive, "")
    return VerifyHeader(
        by=By(name=person.name, role=person.role),
        station=this_station(),
        production=newest.production if newest is not None else None,
        roll=work.roll,
        copy_=copy_block(
            work.volume,
            drive=drive,
            role=role,
            state="proven" if clean and work.is_from_medium else "copied" if clean else "incomplete",
            readback=work.readback,
            folder=place_on(work.volume, work.path),
        ),
        findings=tuple(FindingBlock.of(finding) for finding in grouped(work.findings)),
        verdict="proven" if clean and work.is_from_medium else "not proven",
        totals=Totals(
            files=work.files,
            bytes=work.read.size_bytes,
            proven=len(work.read) - len(work.differ) - len(work.unknown) if clean else 0,
            differ=len(work.differ),
            missing=len(work.missing),
            unknown=len(work.unknown),
        ),
        files_digest=_digest(work),
        manifest=manifest,
    )


def _digest(work: Work) -> DigestBlock | None:
    if not work.read:
        return None
    shared = set.intersection(*(set(shape) for shape in work.read.shapes()))
    if not shared:
        return None
    algorithm = proof_algorithm(sorted(shared))
    digest = FilesDigest(algorithm)
    for entry, texts in work.read:
        digest.add(entry.path, entry.size, texts[algorithm])
    return DigestBlock(algorithm=algorithm, sha256=digest.text())


def verify_rows(work: Work) -> Iterator[FileRow]:
    """Only the files that differ, are missing or were unknown, in byte order of their paths."""
    states = dict.fromkeys(work.differ, "differs")
    states |= dict.fromkeys(work.missing, "missing")
    states |= dict.fromkeys(work.unknown, "unknown")
    if not states:
        return
    for path in sorted(states):
        wanted, number = work.papers.files.get(path), find_file(work.there.files, path)
        entry = None if number is None else work.there.files[number]
        size = entry.size if entry is not None else (wanted.size if wanted and wanted.size is not None else 0)
        modified = entry.modified_ns if entry is not None else (wanted.modified_ns or 0 if wanted else 0)
        texts = {} if number is None else work.read.texts(number)
        yield FileRow(path, size, modified, texts, False, states[path])
