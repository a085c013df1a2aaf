"""A drive as a whole: its open folder, and whether it was lost on the way."""

from __future__ import annotations

from collections.abc import Iterable

from rollproof.models.errors import Refused
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import shown
from rollproof.storage.errors import said
from rollproof.storage.io import Io

LOST = frozenset((Kind.DRIVE_GONE, Kind.DRIVE_FAILED, Kind.DRIVE_HANGS, Kind.DRIVE_FULL))
"""Kinds that say that a device failed, filled up or went away."""


def opened_drive(io: Io, path: bytes) -> int:
    """The open folder of a drive. Refused when there is none."""
    try:
        return io.open_root(path)
    except OSError as error:
        detail = f"no folder can be opened at {shown(path)} ({said(error)})"
        remedy = "attach and mount the drive, and check the path"
        raise Refused(detail, [_refusal(Kind.DRIVE_MISSING, path, detail, remedy)], hint=remedy) from None


def _refusal(kind: Kind, path: bytes, detail: str, remedy: str) -> Finding:
    return error(kind, detail, path=shown(path), remedy=remedy)


def is_lost(findings: Iterable[Finding]) -> bool:
    """Whether a device failed, filled up or went away."""
    return any(finding.kind in LOST and finding.severity is Severity.ERROR for finding in findings)
