"""Plain checksum files for stock tools: from recorded hashes, and by reading where the algorithm was not recorded."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import replace

from rollproof.copies.drive import is_lost
from rollproof.copies.history import copy_rules
from rollproof.copies.new_files import check_new_file, check_outside, could_not_write, put_new_file
from rollproof.copies.roll_histories import (
    RollFolder,
    RollPapers,
    no_rolls,
    papers_unreadable,
    read_papers,
    roll_folders,
)
from rollproof.hashing import ALGORITHMS, new_hasher, proof_algorithm
from rollproof.hashing.checksum_lines import CHECKERS, checksum_line, needs_escape
from rollproof.models.counting import count_of
from rollproof.models.delivery_results import ChecksumRoll, ChecksumsResult
from rollproof.models.errors import ExitStatus, Interrupted, UsageProblem
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.grouped import grouped
from rollproof.models.names import inert, shown
from rollproof.models.requests import ChecksumsRequest
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Volume
from rollproof.reading.files import FileReader
from rollproof.station.context import Context
from rollproof.storage.errors import said
from rollproof.tree.snapshot import take_snapshot


class _NoLine(Exception):
    """There is nothing to write."""


def checksums(request: ChecksumsRequest, ctx: Context) -> ChecksumsResult:
    """Write a checksum file over every roll at or below a path; names in it are relative to that path.

    `complete` when every recorded file has its line and nothing speaks against the papers. A file that is read for a
    new algorithm is compared with its recorded hash in the same read; where it differs there is no line. A roll whose
    papers cannot be relied on gets no line at all. Nothing is appended to any history.

    Raises UsageProblem (an unknown algorithm, one that no stock tool checks, a place for the file that is taken or
    lies inside a roll), Refused when the path cannot be opened, CouldNotFinish when the file cannot be written,
    Interrupted.
    """
    new_hasher(request.algorithm)
    if request.algorithm not in CHECKERS:
        raise UsageProblem(f"no stock tool checks {request.algorithm}", hint=f"choose one of: {', '.join(CHECKERS)}")
    check_new_file(request.out)
    began = time.monotonic()
    writer = _Writer(request, ctx)
    folders = roll_folders(ctx.io, ctx.drives, request.path, ctx.cancel, writer.findings)
    check_outside(request.out, (found.path for found in folders))
    if not folders:
        writer.findings.append(no_rolls(request.path))
    out: str | None = shown(request.out)
    try:
        put_new_file(ctx.io, request.out, writer.lines(folders))
    except _NoLine:
        out = None
    except OSError as error:
        raise could_not_write(request.out, said(error)) from None
    complete = out is not None and not any(finding.severity is Severity.ERROR for finding in writer.findings)
    return ChecksumsResult(
        verdict="complete" if complete else "not complete",
        out=out,
        algorithm=request.algorithm,
        lines=writer.count,
        folder=shown(request.path),
        check=CHECKERS[request.algorithm],
        rolls=writer.rolls,
        findings=grouped(writer.findings),
        seconds=round(time.monotonic() - began, 3),
        status=ExitStatus.NOT_FINISHED
        if is_lost(writer.findings)
        else ExitStatus.DONE
        if complete
        else ExitStatus.ANSWER_IS_NO,
    )


class _Writer:
    """Makes the lines, roll after roll, and keeps what there is to say."""

    def __init__(self, request: ChecksumsRequest, ctx: Context) -> None:
        self._io = ctx.io
        self._drives = ctx.drives
        self._algorithm = request.algorithm
        self._cancel = ctx.cancel
        self._reader = FileReader(ctx.io, ctx.settings, ctx.emit, ctx.cancel)
        self.findings: list[Finding] = []
        self.rolls: list[ChecksumRoll] = []
        self.count = 0
        self._escaped = 0

    def lines(self, folders: list[RollFolder]) -> Iterator[bytes]:
        """Every line. Raises _NoLine at the end when there was none, Interrupted."""
        for found in folders:
            if self._cancel.is_set():
                raise Interrupted("interrupted; no checksum file was written")
            try:
                papers, handle, volume = read_papers(self._io, self._drives, found)
            except OSError as error:
                self.findings.append(papers_unreadable(found, said(error)))
                continue
            hangs = False
            try:
                texts, hangs = self._texts(papers, handle, volume)
            finally:
                if not hangs:  # else a read that hangs still uses it
                    with contextlib.suppress(OSError):
                        self._io.close(handle)
            prefix = found.folder + b"/" if found.folder else b""
            for path, text in texts.items():
                self._escaped += needs_escape(prefix + path)
                self.count += 1
                yield checksum_line(self._algorithm, text, prefix + path)
        if not self.count:
            raise _NoLine
        self._say_escaped()

    def _texts(self, papers: RollPapers, handle: int, volume: Volume) -> tuple[dict[bytes, str], bool]:
        """The hash of every file that gets a line, by path in byte order, and whether the drive hangs."""
        drive = shown(papers.path)
        self.findings += papers.findings
        if not papers.sound or not papers.files:
            self.findings.append(_unsound(papers, drive))
            self._count_roll(papers, {}, 0)
            return {}, False
        rules, hidden = copy_rules(papers.expectation, drive)
        there = take_snapshot(self._io, handle, rules, cancel=self._cancel)
        self.findings += hidden
        texts: dict[bytes, str] = {}
        to_read: dict[int, tuple[str, ...]] = {}
        numbers = {entry.path: number for number, entry in enumerate(there.files)}
        ignored = set(there.ignored)
        for path, wanted in papers.files.items():
            hashes = wanted.hashes
            number = numbers.get(path)
            if self._algorithm in hashes:
                texts[path] = hashes[self._algorithm]
            if number is None:
                if path not in ignored:
                    self._say(Kind.MISSING, path, "is recorded and not there", drive, _KEEP)
            elif wanted.size is not None and wanted.size != there.files[number].size:
                texts.pop(path, None)
                self._say(Kind.DIFFERS, path, "has another size than recorded: it gets no line", drive, _KEEP)
            elif path not in texts:
                known = [name for name in hashes if name in ALGORITHMS]
                to_read[number] = tuple(dict.fromkeys((self._algorithm, *([proof_algorithm(known)] if known else ()))))
        self._say_unknown(papers, there, drive)
        recorded, hangs = len(texts), False
        if to_read:
            hangs = self._read(papers, handle, volume, there, to_read, texts)
        self._count_roll(papers, texts, recorded)
        return dict(sorted(texts.items())), hangs

    def _read(
        self,
        papers: RollPapers,
        handle: int,
        volume: Volume,
        there: Snapshot,
        to_read: dict[int, tuple[str, ...]],
        texts: dict[bytes, str],
    ) -> bool:
        drive = shown(papers.path)
        read = self._reader.read(handle, volume, there.files, to_read, name=papers.roll, drive=drive)
        self.findings += [finding if finding.drive else replace(finding, drive=drive) for finding in read.findings]
        for number in to_read:
            if number not in read.hashes:
                continue
            path = there.files[number].path
            recorded, now = papers.files[path].hashes, read.hashes.texts(number)
            shared = recorded.keys() & now.keys()
            if shared and all(recorded[name] == now[name] for name in shared):
                texts[path] = now[self._algorithm]
            else:
                self._say(Kind.DIFFERS, path, "is not what was recorded: it gets no line", drive, _KEEP)
        return read.hangs

    def _count_roll(self, papers: RollPapers, texts: dict[bytes, str], recorded: int) -> None:
        self.rolls.append(
            ChecksumRoll(
                roll=inert(papers.roll),
                path=shown(papers.path),
                recorded=min(recorded, len(texts)),
                read=len(texts) - min(recorded, len(texts)),
                left_out=len(papers.files) - len(texts),
                bytes=sum(papers.files[path].size or 0 for path in texts),
            )
        )

    def _say_unknown(self, papers: RollPapers, there: Snapshot, drive: str) -> None:
        for entry in there.files:
            if entry.path not in papers.files and not _is_history(entry.path, papers):
                self._say(
                    Kind.UNKNOWN_FILE,
                    entry.path,
                    "is in no record: it gets no line",
                    drive,
                    "look who put it there; verify the copy to record it",
                    Severity.WARNING,
                )

    def _say_escaped(self) -> None:
        if self._escaped and CHECKERS[self._algorithm].startswith("xxhsum"):
            self.findings.append(
                warning(
                    Kind.ODD_NAME,
                    f"{count_of(self._escaped, 'name')} with a backslash or a line end, written as GNU coreutils does;"
                    " some releases of xxhsum do not read such lines",
                    remedy="check these with another algorithm (--hash sha256) if xxhsum calls lines improper",
                )
            )

    def _say(
        self, kind: Kind, path: bytes, what: str, drive: str, remedy: str, severity: Severity = Severity.ERROR
    ) -> None:
        self.findings.append(Finding(kind, severity, shown(path), f"{shown(path)} {what}", drive, remedy))


_KEEP = "keep the other copies and the card, and verify this copy"


def _is_history(path: bytes, papers: RollPapers) -> bool:
    """Whether a file belongs to the history of a folder inside: such a folder is nobody's stranger."""
    return any(folder and path.startswith(folder + b"/ascmhl/") for folder, _ in papers.histories)


def _unsound(papers: RollPapers, drive: str) -> Finding:
    what = "its history cannot be relied on" if papers.files else "its history names no file"
    return error(
        Kind.NOT_PROVEN,
        f"roll {inert(papers.roll)} gets no line: {what}",
        drive=drive,
        remedy="verify this copy, and compare its history with that of the same roll on another drive",
    )
