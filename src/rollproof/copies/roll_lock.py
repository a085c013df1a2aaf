"""The lock of a roll folder: who works on it keeps all others from it."""

from __future__ import annotations

from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import shown
from rollproof.storage.io import Io


def try_lock(io: Io, handle: int) -> bool:
    """Take a roll's lock; False only when somebody else holds it."""
    try:
        return io.lock(handle)
    except OSError:
        return True  # the file system has no locks: no-replace renames still keep two runs from mixing


def locked_finding(drive: str, relative: bytes) -> Finding:
    """Somebody else is at work on this roll folder."""
    return error(
        Kind.LOCKED,
        "another offload or verify is at work on this roll folder",
        path=shown(relative),
        drive=drive,
        remedy="wait until it has ended, then run the same command again",
    )
