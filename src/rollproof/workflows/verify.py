"""Verify copies: read them again from the medium, compare with their own papers, append to both histories."""

from __future__ import annotations

import contextlib
import os
import time

from rollproof.copying.settings import Settings
from rollproof.copying.trouble import said
from rollproof.drives.interface import Drives, system_drives
from rollproof.ledger.ledger import Ledger
from rollproof.models.errors import ExitStatus, UntrustedInput
from rollproof.models.events import Emit
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.requests import Cancel, VerifyRequest
from rollproof.models.results import FindingOut, VerifiedCopy, VerifyResult
from rollproof.storage.io import Io, system_io
from rollproof.workflows.find_rolls import find_rolls
from rollproof.workflows.station_ledger import StationLedger
from rollproof.workflows.verify_copy import CopyVerifier

_LOST = frozenset((Kind.DRIVE_GONE.value, Kind.DRIVE_FAILED.value, Kind.DRIVE_HANGS.value))


def verify(
    request: VerifyRequest,
    *,
    emit: Emit,
    cancel: Cancel,
    io: Io | None = None,
    drives: Drives | None = None,
    ledger: Ledger | None = None,
    settings: Settings | None = None,
) -> VerifyResult:
    """Verify every roll at or below the paths of the request.

    `proven` only when every copy found is proven and at least one was found. Raises Interrupted when the end was
    asked for; copies verified before that have their records.
    """
    io = io or system_io()
    began = time.monotonic()
    copies: list[VerifiedCopy] = []
    findings: list[Finding] = []
    with StationLedger(ledger) as station:
        verifier = CopyVerifier(io, drives or system_drives(), request, settings or Settings(), emit, cancel, station)
        for path in request.paths:
            rolls = _rolls(io, path, cancel, findings)
            if rolls is None:
                continue
            if not rolls:
                findings.append(
                    Finding(
                        Kind.NO_HISTORY,
                        Severity.ERROR,
                        shown(path),
                        f"there is no roll with records or manifests at or below {shown(path)}",
                        remedy="name a roll folder, a day or a drive; a folder without history cannot be verified",
                    )
                )
            for folder in rolls:
                try:
                    copies.append(verifier.run(folder))
                except UntrustedInput as problem:
                    findings.append(
                        Finding(
                            Kind.BAD_RECORD,
                            Severity.ERROR,
                            shown(folder),
                            f"the papers in {shown(folder)} cannot be relied on: {problem.message}",
                            remedy="compare with the same roll on a sibling drive",
                        )
                    )
                except OSError as error:
                    findings.append(
                        Finding(
                            Kind.DRIVE_GONE,
                            Severity.ERROR,
                            shown(folder),
                            f"the roll folder {shown(folder)} cannot be read ({said(error)})",
                            remedy="reconnect the drive and verify again",
                        )
                    )
    proven = bool(copies) and not findings and all(copy.verdict == "proven" for copy in copies)
    return VerifyResult(
        verdict="proven" if proven else "not proven",
        copies=copies,
        findings=[FindingOut.of(finding) for finding in findings],
        seconds=round(time.monotonic() - began, 3),
        status=_status(copies, findings, proven),
    )


def _rolls(io: Io, path: bytes, cancel: Cancel, findings: list[Finding]) -> list[bytes] | None:
    try:
        root = io.open_root(path)
    except OSError as error:
        findings.append(
            Finding(
                Kind.DRIVE_MISSING,
                Severity.ERROR,
                shown(path),
                f"no folder can be opened at {shown(path)} ({said(error)})",
                remedy="attach and mount the drive, and check the path",
            )
        )
        return None
    unread: list[tuple[bytes, str]] = []
    try:
        rolls = [
            os.path.join(path, relative) if relative else path for relative in find_rolls(io, root, cancel, unread)
        ]
    finally:
        with contextlib.suppress(OSError):
            io.close(root)
    findings += [
        Finding(
            Kind.UNREADABLE_FOLDER,
            Severity.ERROR,
            shown(os.path.join(path, relative) if relative else path),
            f"the folder {shown(os.path.join(path, relative) if relative else path)} could not be searched ({reason});"
            " rolls in it were not verified",
            remedy="check the drive and who may read that folder, then verify again",
        )
        for relative, reason in unread
    ]
    return rolls


def _status(copies: list[VerifiedCopy], findings: list[Finding], proven: bool) -> ExitStatus:
    kinds = {finding.kind for copy in copies for finding in copy.findings} | {f.kind.value for f in findings}
    if kinds & _LOST:
        return ExitStatus.NOT_FINISHED
    return ExitStatus.DONE if proven else ExitStatus.ANSWER_IS_NO
