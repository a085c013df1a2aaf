"""Verify copies: read them again from the medium, compare with their own papers, append to both histories."""

from __future__ import annotations

import contextlib
import os
import shlex
import time
from collections.abc import Sequence
from functools import partial

from rollproof.copies.find import find_rolls
from rollproof.copies.location import place_on
from rollproof.copies.nesting import history_above, mounted_inside
from rollproof.copies.outer_history import OuterHistories, in_order, is_below
from rollproof.copies.reading_journal import ReadingJournal
from rollproof.copies.silent_drive import put_down_silent
from rollproof.copies.together import remember_attached
from rollproof.models.errors import ExitStatus, UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import shown
from rollproof.models.requests import Cancel, VerifyRequest
from rollproof.models.results import VerifiedCopy, VerifyResult
from rollproof.models.volumes import Volume
from rollproof.proof.policy import Rules
from rollproof.station.context import Context
from rollproof.station.rules import Ruling, rules_for
from rollproof.storage.errors import hanging, said
from rollproof.storage.io import Io
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.verify.copy import CopyVerifier

_LOST = frozenset((Kind.DRIVE_GONE.value, Kind.DRIVE_FAILED.value, Kind.DRIVE_HANGS.value))


def verify(request: VerifyRequest, ctx: Context) -> VerifyResult:
    """Verify every roll at or below the paths of the request.

    `proven` only when every copy found is proven and at least one was found. Raises Interrupted when the end was
    asked for; copies verified before that have their records.
    """
    began = time.monotonic()
    copies: list[VerifiedCopy] = []
    findings: list[Finding] = []
    ruling = _ruling(request, ctx)
    findings += ruling.findings
    with ctx.station as station:
        for path in request.paths:
            one = _OnePath(request, ctx, ruling.rules)
            found, odd = one.run(path)
            copies += found
            findings += odd
        if copies:
            station.tell(lambda ledger: remember_attached(ledger, ctx.drives, ctx.now()))
        about_ledger = station.findings()
    proven = bool(copies) and not _speaks(findings) and all(copy.verdict == "proven" for copy in copies)
    return VerifyResult(
        verdict="proven" if proven else "not proven",
        copies=copies,
        findings=[*findings, *about_ledger],
        seconds=round(time.monotonic() - began, 3),
        status=_status(copies, findings, proven),
    )


def _ruling(request: VerifyRequest, ctx: Context) -> Ruling:
    """Whose rules hold. A drive that does not say in time what it is has not lent a file of its own."""
    folder, named = request.working_folder, request.production_file
    try:
        guard, inside = ctx.guarded()
        return guard.run(lambda: rules_for(folder, named, inside.drives, request.paths))
    except NoAnswer:
        return rules_for(folder, named, ctx.drives, ())


def _speaks(findings: Sequence[Finding]) -> bool:
    return any(finding.severity is not Severity.NOTE for finding in findings)


class _OnePath:
    """Everything at or below one path. No call on its drive (opening, listing, reading, appending) is waited for much
    longer than `settings.stall_seconds`: a drive that hangs keeps neither the others nor the verdict waiting."""

    def __init__(self, request: VerifyRequest, ctx: Context, rules: Rules) -> None:
        self._unguarded = ctx.drives
        self._guard, self._ctx = ctx.guarded("verify was interrupted while a drive did not answer")
        self._io = self._ctx.io
        self._copies: list[VerifiedCopy] = []
        self._findings: list[Finding] = []
        self._person = request.person
        self._journal = ReadingJournal(ctx.station, "verify")
        self._verifier = CopyVerifier(self._ctx, request, journal=self._journal, rules=rules)
        self._at: tuple[Volume, bytes] | None = None
        """On which volume the path lies, and where, as far as it could be told."""

    def run(self, path: bytes) -> tuple[list[VerifiedCopy], list[Finding]]:
        """The copies found and verified, and what is wrong beside them. Raises Interrupted."""
        left: list[bytes] = []
        try:
            self._guard.run(partial(self._place, path))
            around: list[bytes] = []
            rolls, self._findings = self._guard.run(lambda: _rolls(self._io, path, self._ctx.cancel, around))
            if rolls == [] and not around:
                self._findings.append(self._guard.run(partial(_nothing_there, self._io, path)))
            inside = dict(in_order(rolls or ()))
            left = list(inside)
            while left:
                copy = self._guard.run(partial(self._verify, left[0], inside[left[0]]))
                left.pop(0)
                if copy is None:
                    continue
                self._copies.append(copy)
                if any(finding.kind == Kind.DRIVE_HANGS.value for finding in copy.findings):
                    break
            else:
                self._findings += self._guard.run(partial(self._outer, around, [*around, *(rolls or ())]))
                return self._copies, self._findings
        except NoAnswer:
            self._findings.append(hanging(shown(path), self._ctx.settings.stall_seconds))
            self._lost(path, self._findings[-1].detail)
        if left:
            self._findings.append(_not_verified(left, path))
        return self._copies, self._findings

    def _place(self, path: bytes) -> None:
        with contextlib.suppress(OSError):
            volume = self._ctx.drives.volume_of(path)
            self._at = (volume, place_on(volume, path))

    def _lost(self, path: bytes, why: str) -> None:
        """Put down that the drive does not answer: for the copy that was being read, else for all below the path."""
        drive = shown(path)
        self._findings += self._journal.all_silent(why)
        if self._journal.reads:
            return
        if self._at is not None:
            self._findings += self._journal.drive_lost(*self._at, drive, why)
        else:
            self._findings += put_down_silent(self._journal, self._unguarded, path, drive, why)

    def _outer(self, around: Sequence[bytes], found: Sequence[bytes]) -> list[Finding]:
        histories = OuterHistories(self._io, self._ctx.drives, self._person)
        out: list[Finding] = []
        for folder, inner in in_order(found):
            if folder in around:
                # a roll on another drive that is mounted here is not the one this history speaks of
                mounted = mounted_inside(self._ctx.drives, folder)
                own = tuple(each for each in inner if each not in mounted and not is_below(each, mounted))
                out += histories.verify(folder, own)
        return out

    def _verify(self, folder: bytes, inner: Sequence[bytes]) -> VerifiedCopy | None:
        try:
            return self._verifier.run(folder, inner)
        except UntrustedInput as problem:
            self._findings.append(
                error(
                    Kind.BAD_RECORD,
                    f"the history in {shown(folder)} cannot be relied on: {problem.message}",
                    path=shown(folder),
                    remedy="compare with the same roll on another drive with this roll",
                )
            )
        except OSError as failure:
            self._findings.append(
                error(
                    Kind.DRIVE_GONE,
                    f"the roll folder {shown(folder)} cannot be read ({said(failure)})",
                    path=shown(folder),
                    remedy="reconnect the drive and verify again",
                )
            )
        return None


def _nothing_there(io: Io, path: bytes) -> Finding:
    above = history_above(io, path)
    if above is not None:
        detail = f"{shown(path)} has no records and no manifests of its own; there is a history in {shown(above)}"
        remedy = f"verify that folder: rollproof verify {shlex.quote(shown(above))}"
        return error(Kind.NO_HISTORY, detail, path=shown(path), remedy=remedy)
    return error(
        Kind.NO_HISTORY,
        f"there is no roll with records or manifests at or below {shown(path)}",
        path=shown(path),
        remedy="name a roll folder, a day or a drive; a folder without history cannot be verified",
    )


def _not_verified(left: Sequence[bytes], path: bytes) -> Finding:
    return error(
        Kind.DRIVE_HANGS,
        (
            f"not verified, because the drive does not answer: {shown(left[0])}"
            + (f" and {len(left) - 1:,} more below {shown(path)}" if len(left) > 1 else "")
        ),
        path=shown(left[0]),
        remedy="unplug the drive and plug it in again (this may need a restart), then verify again",
        count=len(left),
    )


def _rolls(io: Io, path: bytes, cancel: Cancel, around: list[bytes]) -> tuple[list[bytes] | None, list[Finding]]:
    """The roll folders at or below a path, None where it cannot be opened; and what could not be searched. Folders with
    a history around rolls are put into `around`."""
    try:
        root = io.open_root(path)
    except OSError as failure:
        finding = error(
            Kind.DRIVE_MISSING,
            f"no folder can be opened at {shown(path)} ({said(failure)})",
            path=shown(path),
            remedy="attach and mount the drive, and check the path",
        )
        return None, [finding]
    unread: list[tuple[bytes, str]] = []
    try:
        rolls = [
            os.path.join(path, relative) if relative else path
            for relative in find_rolls(io, root, cancel, unread, around=around)
        ]
        around[:] = [os.path.join(path, relative) if relative else path for relative in around]
    finally:
        with contextlib.suppress(OSError):
            io.close(root)
    return rolls, [
        error(
            Kind.UNREADABLE_FOLDER,
            f"the folder {shown(os.path.join(path, relative) if relative else path)} could not be searched ({reason});"
            " rolls in it were not verified",
            path=shown(os.path.join(path, relative) if relative else path),
            remedy="check the drive and who may read that folder, then verify again",
        )
        for relative, reason in unread
    ]


def _status(copies: list[VerifiedCopy], findings: list[Finding], proven: bool) -> ExitStatus:
    kinds = {finding.kind for copy in copies for finding in copy.findings} | {f.kind.value for f in findings}
    if kinds & _LOST:
        return ExitStatus.NOT_FINISHED
    return ExitStatus.DONE if proven else ExitStatus.ANSWER_IS_NO
