"""Appending a record to a roll's chain: streamed, flushed, never replacing anything."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from rollproof.models import names
from rollproof.models.errors import StationKeyProblem
from rollproof.models.findings import Finding, Kind, Severity, note
from rollproof.models.names import RECORDS_FOLDER
from rollproof.models.packed_bytes import PackedBytes
from rollproof.records import clock, store
from rollproof.records.lines import MAX_HEADER_BYTES, MAX_LINE_BYTES, MAX_RECORD_BYTES, BadRecord
from rollproof.records.models import Header, OffloadHeader
from rollproof.records.rows import ClipRow, FileRow, clip_to_line, to_line
from rollproof.records.signing import Signer, write_signature
from rollproof.storage.files import exists, gathered, write_new
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.readback import NotAsWritten, check_alike


class RowLines:
    """The lines of a record's files, made once for the records of several copies whose rows are the same. ValueError
    as for `append_record`."""

    def __init__(self, files: Iterable[FileRow]) -> None:
        self._packed = PackedBytes()
        for line in _row_lines(files):
            self._packed.add(line)
        self._packed.end()

    @property
    def whole(self) -> bool:
        """False when they are more than is kept: each record must have them made anew."""
        return self._packed.whole

    def __iter__(self) -> Iterator[bytes]:
        return iter(self._packed)


@dataclass(frozen=True, slots=True)
class WrittenRecord:
    """A record that lies on the drive, flushed. `sha256` is of the whole file, as the next record will name it.

    `unsigned` tells that a signature was wanted and could not be made: a warning, and an error where the drive holds
    other bytes than it was given. The record stands all the same.
    """

    name: str
    sequence: int
    sha256: str
    previous_sha256: str | None
    size_bytes: int
    unsigned: Finding | None = None
    notes: tuple[Finding, ...] = ()
    """What was odd about the record before: that nobody signed it."""


def append_record(
    io: Io,
    roll_folder: int,
    header: Header,
    files: Iterable[FileRow] | RowLines = (),
    *,
    clips: Iterable[ClipRow] = (),
    signer: Signer | None = None,
    as_read: Mapping[str, str] | None = None,
    medium: MediumAccess | None = None,
) -> WrittenRecord:
    """Write the next record of the chain below an open roll folder, and return what the next one will refer to.

    `header.sequence` and `header.previous_sha256` are filled in here. `files` are streamed and must come in byte
    order of their paths, each once; `RowLines` are rows that another record of the same files had made. To be called
    under the roll's lock: what an interrupted run left unfinished is removed. `as_read` holds the SHA-256 of this
    chain's records, by name, as they were when the caller took from them what it now writes: each must still read so,
    or nothing is written.

    When this returns, the file was read back (`medium` says how its volume is read) and file and folder are flushed;
    on any error nothing is left under the final name. With a `signer` the signature follows; that it cannot be made
    takes nothing away from the record and is told in `WrittenRecord.unsigned`.

    Raises OSError when the drive fails, `readback.NotAsWritten` and `readback.ReadsDiffer` among them; BadRecord (an
    UntrustedInput) when what lies there leaves no place for a next record; ValueError for rows out of order or that
    no record may hold.
    """
    with contextlib.suppress(FileExistsError):
        io.make_folder(RECORDS_FOLDER, roll_folder)
        io.flush(roll_folder)
    with store.records_folder(io, roll_folder) as folder:
        _tidy(io, folder)
        if as_read and medium is not None:
            medium.forget()  # once: below a FUSE file system it empties the cache of the whole device
        for known, digest in (as_read or {}).items():
            check_alike(io, folder, known.encode("ascii"), digest, limit=MAX_RECORD_BYTES)
        sequence, previous = _next(io, folder, medium)
        notes = _unsigned_before(io, folder) if signer is not None else ()
        complete = header.model_copy(update={"sequence": sequence, "previous_sha256": previous})
        name = f"{sequence:04}_{header.kind}_{clock.for_name(header.written_at)}.json"
        to_sign = hashlib.sha512()
        pieces = _noted(gathered(serialised(complete, files, clips)), to_sign.update)
        size, digest = write_new(io, folder, name.encode("ascii"), pieces, medium=medium)
        unsigned = _sign(io, folder, name, to_sign.digest(), signer, medium) if signer is not None else None
    return WrittenRecord(name, sequence, digest, previous, size, unsigned, notes)


def unsigned_before(io: Io, roll_folder: int) -> tuple[Finding, ...]:
    """The note about a newest record that is not signed, as a kill between the two leaves it; nothing otherwise.

    It stays so: what is signed is what was meant to be written, and nobody remembers that here. The next record names
    its digest and is signed. To be called under the roll's lock, after `tidy_records`.
    """
    try:
        with store.records_folder(io, roll_folder) as folder:
            return _unsigned_before(io, folder)
    except (OSError, BadRecord):
        return ()  # whoever reads the records says what is wrong with them


def _unsigned_before(io: Io, folder: int) -> tuple[Finding, ...]:
    there = store.look(io, folder).records
    if not there or exists(io, folder, there[-1].name.encode("ascii") + store.SIGNATURE_SUFFIX) is not None:
        return ()
    name = there[-1].name
    detail = (
        f"{name} is not signed: whoever wrote it was interrupted before that, or could not sign;"
        " it counts as it is, and the next record confirms it"
    )
    return (note(Kind.NOT_SIGNED, detail, path=f"{RECORDS_FOLDER.decode()}/{name}"),)


def _noted(pieces: Iterable[bytes], note: Callable[[bytes], None]) -> Iterator[bytes]:
    """What is signed is what was meant to be written, not what a drive gives back of it."""
    for piece in pieces:
        note(piece)
        yield piece


def _sign(io: Io, folder: int, name: str, sha512: bytes, signer: Signer, medium: MediumAccess | None) -> Finding | None:
    severity = Severity.WARNING
    try:
        write_signature(io, folder, name, sha512, signer, medium=medium)
    except StationKeyProblem as problem:
        why, remedy = problem.message, problem.hint
    except NotAsWritten as problem:
        # a signature that fails is a warning; a drive that holds other bytes than it was given is worse than that
        severity = Severity.ERROR
        why, remedy = _said(problem), "the whole drive is suspect: check its cable, then verify this copy"
        _tidy(io, folder)
    except OSError as problem:
        why, remedy = f"the drive did not take the signature ({_said(problem)})", ""
        _tidy(io, folder)
    else:
        return None
    return Finding(
        Kind.COULD_NOT_SIGN,
        severity,
        f"{RECORDS_FOLDER.decode()}/{name}",
        f"the record {name} stands, but is not signed: {why}",
        remedy=remedy or "check the drive; the record counts as it is",
    )


def _said(problem: OSError) -> str:
    return names.inert(problem.strerror or str(problem))


def tidy_records(io: Io, roll_folder: int) -> None:
    """Remove what an interrupted run left unfinished beside the records. To be called under the roll's lock.

    Whatever cannot be removed stays: it is nothing that anyone reads.
    """
    with contextlib.suppress(OSError, BadRecord), store.records_folder(io, roll_folder) as folder:
        _tidy(io, folder)


def _tidy(io: Io, folder: int) -> None:
    with contextlib.suppress(OSError):
        for name, _ in io.list_folder(folder):
            if store.is_unfinished(name):
                with contextlib.suppress(OSError):
                    io.remove(name, folder)


def _next(io: Io, folder: int, medium: MediumAccess | None) -> tuple[int, str | None]:
    there = store.look(io, folder).records
    if not there:
        return 1, None
    last = there[-1]
    if not last.is_file:
        raise BadRecord(f"a link, a pipe or a folder lies in the place of {last.name}")
    if last.sequence >= store.MAX_SEQUENCE:
        raise BadRecord(f"no number is left after {last.name}")
    return last.sequence + 1, store.digest_of(io, folder, last.name, medium=medium)


def serialised(header: Header, files: Iterable[FileRow] | RowLines, clips: Iterable[ClipRow] = ()) -> Iterator[bytes]:
    """The bytes of a record in pieces: header, one line per clip, one per file. ValueError as for `append_record`."""
    yield _header_text(header)
    if isinstance(header, OffloadHeader):
        yield b'  "clips": ['
        separator = b"\n    "
        for clip in clips:
            yield separator + _utf8(clip_to_line(clip))
            separator = b",\n    "
        yield b"\n  ],\n"
    yield b'  "files": ['
    yield from files if isinstance(files, RowLines) else _row_lines(files)
    yield b"\n  ]\n}\n"


def _row_lines(files: Iterable[FileRow]) -> Iterator[bytes]:
    separator = b"\n    "
    last: bytes | None = None
    for row in files:
        if last is not None and row.path <= last:
            raise ValueError(f"files must come in byte order of their paths, each once: {names.shown(row.path)}")
        last = row.path
        yield separator + _utf8(to_line(row))
        separator = b",\n    "


def _header_text(header: Header) -> bytes:
    values: dict[str, Any] = header.model_dump(mode="json", by_alias=True)
    lines = ["{"]
    for key, value in values.items():
        if key in header.LISTS and value:
            lines.append(f'  "{key}": [')
            entries = [f"    {_as_json(entry)}" for entry in value]
            lines.extend(entry + "," for entry in entries[:-1])
            lines.append(entries[-1])
            lines.append("  ],")
        else:
            lines.append(f'  "{key}": {_as_json(value)},')
    encoded = [line.encode("utf-8") for line in lines]
    text = b"\n".join(encoded)
    if len(text) > MAX_HEADER_BYTES or max(map(len, encoded)) > MAX_LINE_BYTES:
        raise ValueError("the header of this record would be too long")
    return text + b"\n"


def _utf8(line: str) -> bytes:
    data = line.encode("utf-8")
    # what could not be read again must not be written
    if len(data) >= MAX_LINE_BYTES:
        raise ValueError("an entry of this record would be too long")
    return data


def _as_json(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    return text if names.inert(text) == text else json.dumps(value, allow_nan=False)
