"""From an OSError to a sentence a tired person can act on: about one file, or about the whole drive."""

from __future__ import annotations

import errno
import os

from rollproof.models.errors import DriveFault, FileFault
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import inert, shown
from rollproof.storage.readback import NotAsWritten, ReadsDiffer

_GONE = frozenset(
    getattr(errno, name)
    for name in (
        "ENODEV",
        "ENXIO",
        "ESTALE",
        "ENOTCONN",
        "ECONNABORTED",
        "EHOSTDOWN",
        "ENOMEDIUM",
        "ESHUTDOWN",
        "EBADF",
    )
    if hasattr(errno, name)
)
_FULL = frozenset(getattr(errno, name) for name in ("ENOSPC", "EDQUOT") if hasattr(errno, name))
_NO_MORE_FILES = frozenset((errno.EMFILE, errno.ENFILE))
MORE_FILES = (
    "allow more open files (ulimit -n) or close other programs, then run the same command again, if need be with fewer"
    " drives at a time"
)
"""What to do where the computer, not the drive, is the trouble."""
_NAME = frozenset(
    (errno.ENAMETOOLONG, errno.EILSEQ, errno.EINVAL, errno.ENOENT, errno.ELOOP, errno.ENOTDIR, errno.EISDIR)
)


def is_gone(error: OSError) -> bool:
    """Whether the error says that the device itself is no longer there."""
    return error.errno in _GONE


def is_too_many_files(error: OSError) -> bool:
    """Whether the error is about this computer and says nothing of the card or the drive."""
    return error.errno in _NO_MORE_FILES


def said(error: OSError) -> str:
    """The system's own words, safe to print; in ours where they would lead astray."""
    if is_too_many_files(error):
        return "this computer lets the program have no more files open"
    if error.errno == errno.ENOMEM:
        return "the system had no memory for it; it says so too of a device that is gone"
    return inert(error.strerror or (os.strerror(error.errno) if error.errno else str(error)))


def not_writable(path: bytes, *, read_only: bool) -> str:
    """Why nothing is written in a folder: the drive, or the permission of whoever runs this."""
    return "the drive is read-only" if read_only else f"there is no permission to write to {shown(path)}"


def no_folder(path: bytes, error: OSError) -> str:
    """What is wrong with a folder that was named: only one that is not there is called so."""
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return f"there is no folder {shown(path)}"
    return f"the folder {shown(path)} cannot be opened ({said(error)})"


def write_trouble(error: OSError, drive: str, path: bytes, doing: str) -> FileFault | DriveFault:
    """What a failed call on a destination means. `doing` is a verb phrase, as in 'writing'."""
    name = shown(path)
    if error.errno in _FULL:
        return DriveFault(
            Finding(
                Kind.DRIVE_FULL,
                Severity.ERROR,
                name,
                f"the drive filled up while {doing} {name}",
                drive=drive,
                remedy="make room on the drive (or take another), then run the same command again",
            )
        )
    if error.errno in _GONE:
        return DriveFault(
            Finding(
                Kind.DRIVE_GONE,
                Severity.ERROR,
                name,
                f"the drive went away while {doing} {name} ({said(error)})",
                drive=drive,
                remedy="reconnect the drive, then run the same command again",
            )
        )
    if is_too_many_files(error):
        return DriveFault(
            Finding(
                Kind.DRIVE_FAILED,
                Severity.ERROR,
                name,
                f"the work on the drive stopped while {doing} {name}: {said(error)}; the drive is not to blame",
                drive=drive,
                remedy=MORE_FILES,
            )
        )
    if error.errno == errno.EEXIST:
        return FileFault(
            Finding(
                Kind.DIFFERENT_CONTENT,
                Severity.ERROR,
                name,
                f"{name} appeared on the drive while it was being copied; it was left as it is",
                drive=drive,
                remedy="look at that file, move it away, then run the same command again",
            )
        )
    if error.errno == errno.EFBIG:
        return FileFault(
            Finding(
                Kind.FILE_TOO_LARGE,
                Severity.ERROR,
                name,
                f"the drive cannot hold a file as large as {name}",
                drive=drive,
                remedy="use a drive with a file system for large files",
            )
        )
    if error.errno in _NAME:
        return FileFault(
            Finding(
                Kind.NAME_NOT_HELD,
                Severity.ERROR,
                name,
                f"the drive did not take the name {name} ({said(error)})",
                drive=drive,
                remedy="use a drive whose file system can hold this name",
            )
        )
    detail = "was switched to read-only" if error.errno == errno.EROFS else f"failed ({said(error)})"
    return DriveFault(
        Finding(
            Kind.DRIVE_FAILED,
            Severity.ERROR,
            name,
            f"the drive {detail} while {doing} {name}",
            drive=drive,
            remedy="check cable and drive, then run the same command again; if it fails twice, take another drive",
        )
    )


def paper_trouble(error: NotAsWritten | ReadsDiffer, drive: str) -> Finding:
    """A paper of ours (a record, a manifest, a chain) that the drive does not hold, or does not give, as it is."""
    if isinstance(error, NotAsWritten):
        detail = f"{error.path}, read back from the drive, is not what was written; it was taken away again"
    else:
        detail = f"{error.path} was read from the drive twice and was not the same; nothing was written after it"
    return Finding(
        Kind.DRIVE_FAILED,
        Severity.ERROR,
        error.path,
        detail,
        drive=drive,
        remedy="the whole drive is suspect: check its cable, run the same command again, and take another drive if it"
        " happens twice",
    )


def hanging(drive: str, seconds: float) -> Finding:
    """The finding for a drive that does not answer."""
    return error(
        Kind.DRIVE_HANGS,
        f"the drive has not answered for {seconds:.0f} seconds and was given up",
        drive=drive,
        remedy="unplug the drive and plug it in again (this may need a restart), then run the same command again",
    )
