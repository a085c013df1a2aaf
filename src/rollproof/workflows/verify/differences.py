"""What a verify found in a copy beside what its papers want, file by file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rollproof.copies.history import Wanted
from rollproof.copies.reading_journal import Reading
from rollproof.copies.renamed import GIVE_IT_BACK, READ_IT, now_called
from rollproof.copying.plan import same_time
from rollproof.models.file_table import find_file
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.proof.renamed import FileFacts, NewName, new_names
from rollproof.workflows.verify.work import Work


def compare(work: Work, *, strict: bool) -> None:
    """Note in the work which files differ, are missing or are in no record, each with its finding."""
    files = work.there.files
    ignored = set(work.there.ignored)
    redated: list[bytes] = []
    for path in sorted(work.papers.files):
        wanted, number = work.papers.files[path], find_file(files, path)
        if number is None:
            if path not in ignored:
                work.missing.append(path)
            continue
        entry = files[number]
        if wanted.size is not None and wanted.size != entry.size:
            work.differ.append(path)
            continue
        if number not in work.read:
            continue  # a finding already says why it could not be read
        if is_other(wanted, work.read.texts(number)):
            work.differ.append(path)
        elif wanted.modified_ns is not None and not same_time(
            wanted.modified_ns, entry.modified_ns, work.volume.limits
        ):
            redated.append(path)
    work.unknown += [entry.path for entry in files if entry.path not in work.papers.files]
    names = _renamed(work)
    work.findings += [
        *_about(
            Kind.DIFFERS,
            Severity.ERROR,
            work.differ,
            work.drive,
            "is not what was recorded",
            "keep the other copies and the card; copy this file from a proven copy into a new folder",
        ),
        *(
            Finding(
                Kind.MISSING,
                Severity.ERROR,
                shown(path),
                f"{shown(path)} {now_called(name)}",
                work.drive,
                GIVE_IT_BACK if name.is_read else READ_IT,
            )
            for path, name in names.items()
        ),
        *_about(
            Kind.MISSING,
            Severity.ERROR,
            [path for path in work.missing if path not in names],
            work.drive,
            "is recorded and not there",
            "keep the other copies and the card; look whether somebody moved it",
        ),
        *_about(
            Kind.UNKNOWN_FILE,
            Severity.ERROR if strict else Severity.WARNING,
            work.unknown,
            work.drive,
            "is not in any record; it is noted as new",
            "look who put it there",
        ),
        *_about(
            Kind.CARD_CHANGED,
            Severity.WARNING,
            redated,
            work.drive,
            "has the recorded content under another modification date",
            "look who touched it",
        ),
    ]


def _renamed(work: Work) -> dict[bytes, NewName]:
    """The missing files that lie there under another name."""
    if not work.missing or not work.unknown:
        return {}
    gone, found = [], []
    for path in work.missing:
        wanted = work.papers.files[path]
        gone.append(FileFacts(path, wanted.size, wanted.modified_ns, wanted.hashes))
    for path in work.unknown:
        number = find_file(work.there.files, path)
        if number is not None:
            entry = work.there.files[number]
            texts = work.read.texts(number) if number in work.read else None
            found.append(FileFacts(path, entry.size, entry.modified_ns, texts))
    return new_names(gone, found, work.volume.limits.timestamp_ns)


def seen_bad(work: Work, reading: Reading) -> None:
    """Put down what the listing alone shows, before a byte is read: files that are gone or have another size."""
    ignored = set(work.there.ignored)
    for path in sorted(work.papers.files):
        wanted, number = work.papers.files[path], find_file(work.there.files, path)
        if number is None:
            if path not in ignored:
                reading.missing(path)
        elif wanted.size is not None and wanted.size != work.there.files[number].size:
            reading.differs(path)


def is_other(wanted: Wanted, read: Mapping[str, str]) -> bool:
    """Whether what was read of a file is not what was recorded, or cannot be shown to be."""
    shared = read.keys() & wanted.hashes.keys()
    return not shared or any(read[name] != wanted.hashes[name] for name in shared)


def _about(kind: Kind, severity: Severity, paths: Sequence[bytes], drive: str, what: str, remedy: str) -> list[Finding]:
    return [Finding(kind, severity, shown(path), f"{shown(path)} {what}", drive, remedy) for path in paths]
