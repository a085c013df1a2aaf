"""Reading records that lie on a drive: untrusted, streamed, bounded.

Whatever a record says, reading it ends in values, in `BadRecord` (an UntrustedInput) or in an OSError of the drive.
"""

from __future__ import annotations

import contextlib
import errno
import json
from collections.abc import Iterator
from typing import Any

from pydantic import ValidationError

from rollproof.models import names
from rollproof.models.errors import UntrustedInput
from rollproof.records import lines, rows, store
from rollproof.records.lines import BadRecord, Lines
from rollproof.records.models import FORMAT, FORMAT_2, HEADERS, KINDS_OF_2, AnyHeader, OffloadHeader
from rollproof.records.rows import ClipRow, FileRow
from rollproof.storage.io import Io


def read_header(io: Io, roll_folder: int, name: str) -> AnyHeader:
    """The header of one record; its `files` are not read. Memory and time do not depend on how many there are.

    Raises BadRecord when it breaks its format, OSError (FileNotFoundError) when the drive has no such file.
    """
    with _opened(io, roll_folder, name) as text:
        return header_of(text)[0]


def iter_clips(io: Io, roll_folder: int, name: str) -> Iterator[ClipRow]:
    """Every entry of `clips`, in order, one at a time; nothing for records that have none.

    Raises BadRecord as `iter_files` does.
    """
    with _opened(io, roll_folder, name) as text:
        _, section = header_of(text)
        if section == "clips":
            for entry in lines.clip_entries(text):
                try:
                    yield rows.clip_from_json(entry)
                except UntrustedInput as problem:
                    raise BadRecord(f"{name}: {problem.message}") from None


def iter_files(io: Io, roll_folder: int, name: str) -> Iterator[FileRow]:
    """Every entry of `files`, in order, one at a time; the whole shape of the record is checked on the way.

    Raises BadRecord for anything that is not exactly as `records.write` writes it: a row with wrong types or an
    unsafe path, rows out of order or twice, another number of them than the header says. What was yielded before is
    then not to be relied on.
    """
    with _opened(io, roll_folder, name) as text:
        header, section = header_of(text)
        if section == "clips":
            lines.pass_clips(text)
        count = 0
        last: bytes | None = None
        for entry in lines.file_entries(text):
            try:
                row = rows.from_json(entry)
            except UntrustedInput as problem:
                raise BadRecord(f"{name}: {problem.message}") from None
            if last is not None and row.path <= last:
                raise BadRecord(f"{name}: its files do not come in order, each once: {names.shown(row.path)[:200]}")
            last = row.path
            count += 1
            yield row
        if isinstance(header, OffloadHeader) and count != header.totals.files:
            raise BadRecord(f"{name}: it holds {count} files, its header says {header.totals.files}")


def header_of(text: Lines) -> tuple[AnyHeader, str]:
    """The header at the start of an open record, and the list at whose first entry the lines stand afterwards."""
    written, as_json, section = lines.header(text)
    if written != FORMAT and not (written == FORMAT_2 and _kind_in(as_json) in KINDS_OF_2):
        raise _other_format(written)
    try:
        return HEADERS.validate_json(as_json), section
    except ValidationError as problem:
        first = problem.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadRecord(f"its header is not as it should be: {where}: {first['msg']}"[:300]) from None


def _kind_in(as_json: bytes) -> Any:
    """The kind that a header names; its lines were parsed one by one already."""
    try:
        return json.loads(as_json).get("kind")
    except (ValueError, RecursionError):
        return None


def _other_format(written: Any) -> BadRecord:
    if isinstance(written, str) and written.startswith("rollproof-record/"):
        text = f"it is written as {names.inert(written)[:60]}: a newer version of this tool is needed to read it"
        return BadRecord(text, defect="newer")
    return BadRecord("it is no record of this tool", defect="foreign")


@contextlib.contextmanager
def _opened(io: Io, roll_folder: int, name: str) -> Iterator[Lines]:
    if store.found_record(name.encode("utf-8", "surrogateescape")) is None:
        raise BadRecord(f"no record is called {names.inert(name)[:200]}")
    with store.records_folder(io, roll_folder) as folder:
        try:
            handle = io.open_read(name.encode("ascii"), folder, direct=False)
        except OSError as problem:
            if problem.errno in (errno.ELOOP, errno.EINVAL):
                raise BadRecord(f"{name} is no regular file", defect="foreign") from None
            raise
        try:
            yield Lines(io, handle)
        finally:
            io.close(handle)
