"""Reading a folder again and comparing it with a plain checksum file that anybody's tool may have written."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from rollproof.ascmhl.chain import not_a_plain_file
from rollproof.copies.drive import is_lost, opened_drive
from rollproof.copies.history import speaks_against
from rollproof.copies.list_readings import ListReadings
from rollproof.copies.location import place_on
from rollproof.copies.reading_journal import ReadingJournal
from rollproof.hashing import new_hasher, raw_of
from rollproof.hashing.checksum_lines import FILE_LIMIT_BYTES, BadLine, algorithm_in_name, parse_checksums
from rollproof.models.counting import count_of
from rollproof.models.delivery_results import AgainstResult
from rollproof.models.errors import ExitStatus, UntrustedInput, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.grouped import grouped
from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER, inert, shown, to_text
from rollproof.models.requests import AgainstRequest
from rollproof.models.tree import Snapshot
from rollproof.reading.files import FileReader, FilesRead
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.storage.files import read_chunks
from rollproof.storage.io import Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot

_LISTED_LINES = 20

Hashes = tuple[tuple[bytes, tuple[str, ...]], ...]
"""Raw hashes of one file, each with the algorithms it may be of."""


@dataclass(slots=True)
class ChecksumFile:
    """What a checksum file says: by relative path, every hash it gives."""

    files: dict[bytes, Hashes] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def algorithms(self, path: bytes) -> tuple[str, ...]:
        """What must be computed to compare a file."""
        return tuple(dict.fromkeys(name for _, names in self.files[path] for name in names))

    def agrees(self, path: bytes, texts: dict[str, str]) -> bool:
        """Whether every hash the file gives is met by what was read."""
        return all(
            any(name in texts and raw_of(name, texts[name]) == raw for name in names) for raw, names in self.files[path]
        )


def verify_against(request: AgainstRequest, ctx: Context) -> AgainstResult:
    """Read every file that the checksum file names, and say what differs, is missing, or is not named.

    `matches` when all is as named; files that are not named are warnings, and errors with `strict`. It says nothing
    about how the copy came to be, so it is no proof, and nothing is appended to any history. Names that lead out of
    the folder are findings and never opened. Raises UsageProblem when the checksum file cannot be read, Refused when
    the folder cannot be opened, Interrupted.
    """
    io, drives = ctx.io, ctx.drives
    began = time.monotonic()
    named = read_checksum_file(io, request.against)
    drive = shown(request.path)
    handle = opened_drive(io, request.path)
    hangs = False
    try:
        volume = drives.volume_of(request.path)
        there = take_snapshot(io, handle, IgnoreRules(), cancel=ctx.cancel)
        numbers = {entry.path: number for number, entry in enumerate(there.files)}
        wanted = {numbers[path]: named.algorithms(path) for path in sorted(named.files) if path in numbers}
        reader = FileReader(io, ctx.settings, ctx.emit, ctx.cancel)
        name = shown(os.path.basename(os.path.realpath(request.path)))
        journal = ReadingJournal(ctx.station, "verify --against")
        readings = ListReadings(journal, volume, place_on(volume, request.path), drive)
        told = readings.told(there.files, lambda path, texts: named.agrees(path, dict(texts)))
        read = reader.read(handle, volume, there.files, wanted, name=name, drive=drive, told=told)
        hangs = read.hangs
        read.findings += readings.trouble() if hangs else readings.end()
    finally:
        if not hangs:
            with contextlib.suppress(OSError):
                io.close(handle)
    return _result(request, named, there, numbers, read, time.monotonic() - began)


def _result(
    request: AgainstRequest,
    named: ChecksumFile,
    there: Snapshot,
    numbers: dict[bytes, int],
    read: FilesRead,
    seconds: float,
) -> AgainstResult:
    drive = shown(request.path)
    differ: list[bytes] = []
    missing: list[bytes] = []
    unread: list[bytes] = []
    for path in sorted(named.files):
        number = numbers.get(path)
        if number is None:
            missing.append(path)
        elif number not in read.hashes:
            unread.append(path)
        elif not named.agrees(path, read.hashes.texts(number)):
            differ.append(path)
    unknown = [path for path in _not_named(request, there) if path not in named.files]
    findings = [*named.findings, *read.findings]
    findings += [finding for finding in there.findings if speaks_against(finding)]
    strict = Severity.ERROR if request.strict else Severity.WARNING
    for kind, severity, paths, what, remedy in (
        (Kind.DIFFERS, Severity.ERROR, differ, "is not what the checksum file says", "compare with another copy"),
        (Kind.MISSING, Severity.ERROR, missing, "is named and not there", "look on the other copies"),
        (Kind.UNKNOWN_FILE, strict, unknown, "is not named in the checksum file", "ask whoever wrote the list"),
    ):
        findings += [Finding(kind, severity, shown(path), f"{shown(path)} {what}", drive, remedy) for path in paths]
    if not named.files:
        detail = f"{shown(request.against)} names no file that could be compared"
        findings.append(error(Kind.NO_HISTORY, detail, remedy="name another checksum file"))
    matches = not any(finding.severity is Severity.ERROR for finding in findings)
    readback = read.readback
    return AgainstResult(
        verdict="matches" if matches else "does not match",
        path=drive,
        against=shown(request.against),
        algorithms=sorted({name for names in (named.algorithms(path) for path in named.files) for name in names}),
        files=len(named.files),
        bytes=read.hashes.size_bytes,
        readback=readback.value if readback is not None else None,
        differ=[to_text(path) for path in differ],
        missing=[to_text(path) for path in missing],
        unknown=[to_text(path) for path in unknown],
        not_compared=[to_text(path) for path in unread],
        findings=grouped(findings),
        seconds=round(seconds, 3),
        status=ExitStatus.NOT_FINISHED
        if is_lost(findings)
        else ExitStatus.DONE
        if matches
        else ExitStatus.ANSWER_IS_NO,
    )


def _not_named(request: AgainstRequest, there: Snapshot) -> Iterator[bytes]:
    """Files a checksum file could have named: histories, and the file itself, are not."""
    own = os.path.relpath(os.path.realpath(request.against), os.path.realpath(request.path))
    for entry in there.files:
        parts = entry.path.split(b"/")[:-1]
        if entry.path != own and ASCMHL_FOLDER not in parts and RECORDS_FOLDER not in parts:
            yield entry.path


def read_checksum_file(io: Io, wanted: bytes) -> ChecksumFile:
    """Read a checksum file, whoever wrote it. What is wrong with single lines is a finding, an error each.

    Raises UsageProblem when there is no such file or it is no checksum file at all.
    """
    out = ChecksumFile()
    lines = _Lines(shown(wanted))
    algorithm = algorithm_in_name(os.path.basename(wanted))
    try:
        folder = io.open_root(os.path.dirname(wanted) or b".")
        try:
            chunks = read_chunks(io, folder, os.path.basename(wanted), limit=FILE_LIMIT_BYTES)
            for line in parse_checksums(chunks, algorithm=algorithm):
                if isinstance(line, BadLine):
                    lines.add(line)
                    continue
                known = tuple(name for name in line.algorithms if _usable(name))
                if not known:
                    lines.add(BadLine(line.number, f"{line.algorithms[0]} cannot be computed on this computer"))
                    continue
                have = out.files.get(line.path, ())
                if (line.raw, known) not in have:
                    out.files[line.path] = (*have, (line.raw, known))
        finally:
            with contextlib.suppress(OSError):
                io.close(folder)
    except OSError as error:
        refused = not_a_plain_file(error)
        why = inert(refused.message) if refused is not None else said(error)
        raise UsageProblem(
            f"the checksum file {shown(wanted)} cannot be read: {why}", hint="name the file: --against FILE"
        ) from None
    except UntrustedInput as problem:
        raise UsageProblem(
            f"{shown(wanted)} is no checksum file: {problem.message}", hint="name another file: --against FILE"
        ) from None
    out.findings = lines.findings()
    return out


def _usable(name: str) -> bool:
    try:
        new_hasher(name)
    except UsageProblem:
        return False
    return True


class _Lines:
    """What was wrong with lines; a hostile file must not fill the memory with it."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._found: list[Finding] = []
        self._more = 0

    def add(self, line: BadLine) -> None:
        if len(self._found) >= _LISTED_LINES:
            self._more += 1
            return
        kind = Kind.PATH_ESCAPES if line.escapes else Kind.BAD_MANIFEST
        detail = f"line {line.number} of {self._file} was not taken: {line.why}"
        remedy = "ask whoever wrote the list; the file it means was not compared"
        self._found.append(error(kind, detail, path=shown(line.path[:500]), remedy=remedy))

    def findings(self) -> list[Finding]:
        if not self._more:
            return self._found
        detail = f"{count_of(self._more, 'more line')} of {self._file} not taken"
        return [*self._found, error(Kind.BAD_MANIFEST, detail, count=self._more)]
