"""Where records lie: the folder `rollproof/` of a roll, their names, and the digest of a whole one."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from rollproof.models.names import PARTIAL_SUFFIX, RECORDS_FOLDER
from rollproof.records.lines import MAX_RECORD_BYTES, BadRecord
from rollproof.storage.files import read_chunks
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.readback import check_alike

_NAME = re.compile(rb"(\d{4,9})_([a-z]{1,20})_\d{4}-\d\d-\d\dT\d{6}Z\.json")
MAX_SEQUENCE = 999_999_999
SIGNATURE_SUFFIX = b".sig"


@dataclass(frozen=True, slots=True)
class FoundRecord:
    """What is named like a record; nothing of it was read yet."""

    name: str
    sequence: int
    kind: str
    is_file: bool = True
    """False for a link, a pipe or a folder in the place of a record: it is never opened."""


@dataclass(frozen=True, slots=True)
class Folder:
    """What lies in a records folder: what is named like a record, by number and name, and what is nothing of ours."""

    records: tuple[FoundRecord, ...]
    strangers: tuple[bytes, ...]
    missing: bool = False
    """There is no records folder at all."""


def found_record(name: bytes) -> FoundRecord | None:
    """What a file's name says, or None when it is not named like a record."""
    found = _NAME.fullmatch(name)
    if found is None or int(found[1]) < 1 or (len(found[1]) > 4 and found[1].startswith(b"0")):
        return None
    return FoundRecord(name.decode("ascii"), int(found[1]), found[2].decode("ascii"))


@contextlib.contextmanager
def records_folder(io: Io, roll_folder: int) -> Iterator[int]:
    """The open records folder of a roll. BadRecord when a link or a file stands in its place; FileNotFoundError when
    there is none."""
    try:
        handle = io.open_folder(RECORDS_FOLDER, roll_folder)
    except OSError as problem:
        if problem.errno in (errno.ELOOP, errno.ENOTDIR):
            raise BadRecord("where the records should lie there is a link or a file", defect="foreign") from None
        raise
    try:
        yield handle
    finally:
        io.close(handle)


def look(io: Io, folder: int) -> Folder:
    """What lies in an open records folder. OSError when it cannot be listed."""
    records: list[FoundRecord] = []
    strangers: list[bytes] = []
    for name, kind in io.list_folder(folder):
        record = found_record(name)
        if record is not None:
            records.append(record if kind is EntryKind.FILE else replace(record, is_file=False))
        elif not _is_ours(name, kind):
            strangers.append(name)
    records.sort(key=lambda record: (record.sequence, record.name))
    return Folder(tuple(records), tuple(sorted(strangers)))


def _is_ours(name: bytes, kind: EntryKind) -> bool:
    if kind is not EntryKind.FILE:
        return False
    if name.endswith(SIGNATURE_SUFFIX):
        return found_record(name.removesuffix(SIGNATURE_SUFFIX)) is not None
    # unfinished files, and what operating systems leave in every folder they show
    return name.endswith(PARTIAL_SUFFIX) or name.startswith(b"._") or name in (b".DS_Store", b"Thumbs.db")


def is_unfinished(name: bytes) -> bool:
    """Whether this is a record or a signature that was begun under its temporary name and not finished."""
    if not name.endswith(PARTIAL_SUFFIX):
        return False
    return found_record(name.removesuffix(PARTIAL_SUFFIX).removesuffix(SIGNATURE_SUFFIX)) is not None


def digest_of(io: Io, folder: int, name: str, *, medium: MediumAccess | None = None) -> str:
    """SHA-256 of a whole record file, streamed, and read twice, once past the cache: what is linked to it must not
    depend on one bad read. OSError when it cannot be read or did not read alike (`readback.ReadsDiffer`), BadRecord
    when it is too long."""
    digest = hashlib.sha256()
    name_bytes = name.encode("ascii")
    try:
        for chunk in read_chunks(io, folder, name_bytes, limit=MAX_RECORD_BYTES):
            digest.update(chunk)
        check_alike(io, folder, name_bytes, digest.hexdigest(), limit=MAX_RECORD_BYTES, medium=medium)
    except OSError as problem:
        if problem.errno == errno.EFBIG:
            raise BadRecord(f"{name} is longer than a record can be") from None
        raise
    return digest.hexdigest()
