"""What the records beside a copy say of it, and how it lies there now, by names, sizes and dates."""

from __future__ import annotations

from collections.abc import Mapping

from rollproof.copying.plan import same_time
from rollproof.models.file_table import FilesByPath
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.inspect_results import RecordOut
from rollproof.models.names import MARKER_NAME, inert, shown
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Volume
from rollproof.records.chain import read_chain
from rollproof.records.lines import BadRecord
from rollproof.records.rows import FileRow
from rollproof.records.standing import standing
from rollproof.storage.files import exists
from rollproof.storage.io import Io

_VERIFY = "verify this copy: rollproof verify"


def word_of_record(
    io: Io, root: int, snapshot: Snapshot, volume: Volume, folder: bytes
) -> tuple[RecordOut | None, list[Finding], Mapping[bytes, FileRow], frozenset[bytes]]:
    """The records' word on a copy, what speaks against it, every row by path, and the files that are not as recorded.
    None where there are no records.

    `folder` is where it lies on its volume: what was copied from there by other means is another copy. Nothing is read
    again: size and date are no evidence of content, and the words say so.
    """
    findings: list[Finding] = []
    if exists(io, root, MARKER_NAME) is not None:
        findings.append(
            error(
                Kind.NOT_FINISHED,
                "the offload of this roll was not finished on this drive",
                remedy="keep the card and run its offload again",
            )
        )
    chain = read_chain(io, root)
    findings += [finding for finding in chain.findings if finding.kind is not Kind.NO_HISTORY]
    if not chain.links:
        return None, findings, {}, frozenset()
    found = standing(io, root, chain, volume, folder=folder)
    rows: Mapping[bytes, FileRow] = {}
    try:
        rows = found.files()
    except BadRecord as problem:
        findings.append(error(Kind.BAD_RECORD, problem.message, remedy=_VERIFY))
    there = FilesByPath(snapshot.files)
    missing = [path for path in rows if path not in there]
    changed = [
        path
        for path, row in rows.items()
        if (entry := there.get(path)) is not None
        and (entry.size != row.size or not same_time(entry.modified_ns, row.modified_ns, volume.limits))
    ]
    unknown = [path for path in there if path not in rows] if rows else []
    for paths, kind, severity, words in (
        (missing, Kind.MISSING, Severity.ERROR, "recorded, and not there"),
        (changed, Kind.DIFFERS, Severity.ERROR, "not as recorded: another size or date"),
        (unknown, Kind.UNKNOWN_FILE, Severity.WARNING, "there, and not in the records"),
    ):
        if paths:
            findings.append(Finding(kind, severity, shown(min(paths)), words, remedy=_VERIFY, count=len(paths)))
    header = found.newest_offload
    return (
        RecordOut(
            roll=header.roll if header is not None else None,
            state=found.state,
            why=[inert(sentence) for sentence in found.why],
            remedy=inert(found.remedy),
            readback=found.readback.value if found.readback is not None else None,
            production=header.production if header is not None else None,
            offloaded_at=header.written_at.isoformat() if header is not None else None,
            offloaded_by=header.by.name if header is not None else "",
            records=len(chain.links),
            files_missing=len(missing),
            files_changed=len(changed),
            files_unknown=len(unknown),
        ),
        findings,
        rows,
        frozenset(changed),
    )
