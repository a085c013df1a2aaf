"""Append what a verify found to both histories beside the copy."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import datetime

from rollproof.ascmhl.write import write_generation
from rollproof.copies.beside_records import manifest_name
from rollproof.copies.inner_history import InnerSets, with_inner
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import to_text
from rollproof.models.requests import Person
from rollproof.records.models import ManifestName
from rollproof.records.signing import Signer
from rollproof.records.write import append_record
from rollproof.storage.errors import not_writable, paper_trouble, said
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.readback import NotAsWritten, ReadsDiffer
from rollproof.workflows.verify.evidence import verify_generation, verify_header, verify_rows
from rollproof.workflows.verify.work import Work


def append_result(
    io: Io,
    work: Work,
    started_at: datetime,
    person: Person,
    signer: Signer,
    sets: InnerSets | None,
    *,
    forgets: bool,
) -> None:
    """Append a generation and a record, where the drive can take them; what goes wrong is a finding.

    `forgets` is whether a generation written now would leave out what the newest one refers to.
    """
    if work.volume.read_only or not os.access(work.path, os.W_OK):
        work.findings.append(
            Finding(
                Kind.READ_ONLY,
                Severity.NOTE,
                "",
                f"{not_writable(work.path, read_only=work.volume.read_only)}: nothing was appended to its histories",
                drive=work.drive,
                remedy="make it writable and verify again, if the result is to be recorded",
            )
        )
        return
    if not work.papers.has_papers and not work.there.files:
        return
    if any(odd.kind is Kind.NEWER_VERSION for odd in work.papers.chain.findings):
        return  # what a later version wrote is not known here: nothing that may contradict it is put after it
    medium = MediumAccess(io, work.volume.way, work.volume.source)
    named: ManifestName | None = None
    try:
        if (work.read or work.papers.history.present) and not forgets:
            generation = verify_generation(work, started_at, person)
            manifest = write_generation(
                io,
                work.handle,
                os.path.basename(os.path.realpath(work.path)),
                with_inner(generation, sets, work.inner) if sets is not None else generation,
                medium=medium,
            )
            work.appended.append(to_text(manifest.name))
            named = manifest_name(manifest)
            work.findings += [finding for finding in manifest.findings if finding not in work.findings]
        rows = list(verify_rows(work))
        header = verify_header(work, person, named)
        record = append_record(
            io,
            work.handle,
            header,
            rows,
            signer=signer,
            as_read=work.papers.chain.digests,
            medium=medium,
        )
        work.appended.append(record.name)
        work.findings += [replace(note, drive=work.drive) for note in record.notes]
        if record.unsigned is not None:
            work.findings.append(replace(record.unsigned, drive=work.drive))
    except UntrustedInput as problem:
        work.findings.append(
            error(
                Kind.BAD_RECORD,
                f"nothing could be appended: {problem.message}",
                drive=work.drive,
                remedy="the histories beside this copy are damaged: compare with another drive with this roll",
            )
        )
    except (NotAsWritten, ReadsDiffer) as problem:
        work.findings.append(paper_trouble(problem, work.drive))
    except OSError as failure:
        work.findings.append(
            error(
                Kind.DRIVE_FAILED,
                f"the result could not be written beside the copy ({said(failure)})",
                drive=work.drive,
                remedy="check room and cable of the drive, then verify again",
            )
        )
