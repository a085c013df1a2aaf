"""The papers of every roll at or below a path: what each file must hash to, inner histories taken in."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from rollproof.ascmhl.model import History
from rollproof.copies.find import find_rolls
from rollproof.copies.history import Expectation, Wanted, read_expectation, unfinished_finding
from rollproof.copies.nesting import mounted_inside, not_on_this_drive
from rollproof.drives.interface import Drives
from rollproof.models.errors import Refused
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import MARKER_NAME, shown
from rollproof.models.requests import Cancel
from rollproof.models.volumes import Volume
from rollproof.records.models import OffloadHeader
from rollproof.storage.errors import said
from rollproof.storage.files import exists, open_below
from rollproof.storage.io import Io


@dataclass(slots=True)
class RollFolder:
    """A roll folder below a path, with the folders inside it that have a history of their own (relative to it)."""

    folder: bytes
    path: bytes
    inner: list[bytes] = field(default_factory=list)


@dataclass(slots=True)
class RollPapers:
    """What the papers of one roll say. `files` are relative to the roll, those of inner histories among them.

    `histories` are those of the open standard by folder, the roll's own (empty folder) first. `findings` with an
    error mean that the papers cannot be relied on.
    """

    folder: bytes
    path: bytes
    roll: str
    production: str | None
    files: dict[bytes, Wanted]
    histories: list[tuple[bytes, History]]
    expectation: Expectation
    findings: list[Finding]

    @property
    def sound(self) -> bool:
        """Whether nothing speaks against the papers."""
        return not any(finding.severity is Severity.ERROR for finding in self.findings)


def roll_folders(
    io: Io, drives: Drives | None, base: bytes, cancel: Cancel, findings: list[Finding]
) -> list[RollFolder]:
    """The roll folders at or below `base`, in byte order; what could not be searched, or lies on another drive that is
    mounted there, becomes a finding. Without `drives` those on other drives are among them.

    Refused when the path cannot be opened, Interrupted when the end was asked for.
    """
    try:
        root = io.open_root(base)
    except OSError as failure:
        detail = f"no folder can be opened at {shown(base)} ({said(failure)})"
        remedy = "attach and mount the drive, and check the path"
        missing = error(Kind.DRIVE_MISSING, detail, path=shown(base), remedy=remedy)
        raise Refused(detail, [missing], hint=remedy) from None
    unread: list[tuple[bytes, str]] = []
    try:
        mounted = mounted_inside(drives, base) if drives is not None else ()
        found = list(find_rolls(io, root, cancel, unread, elsewhere=frozenset(mounted)))
    finally:
        with contextlib.suppress(OSError):
            io.close(root)
    findings += not_on_this_drive(base, mounted)
    for relative, reason in unread:
        where = shown(os.path.join(base, relative) if relative else base)
        findings.append(
            error(
                Kind.UNREADABLE_FOLDER,
                f"the folder {where} could not be searched ({reason}); rolls in it are not known",
                path=where,
                remedy="check the drive and who may read that folder, then do this again",
            )
        )
    return list(_gathered(base, found))


def _gathered(base: bytes, found: Sequence[bytes]) -> Iterator[RollFolder]:
    # a folder inside a roll comes after it, though not always right after: `A003-B` sorts between `A003` and `A003/X`
    rolls: dict[bytes, RollFolder] = {}
    for relative in found:
        above = next((folder for folder in _above(relative) if folder in rolls), None)
        if above is None:
            rolls[relative] = RollFolder(relative, os.path.join(base, relative) if relative else base)
        else:
            rolls[above].inner.append(relative[len(above) + 1 :] if above else relative)
    yield from rolls.values()


def _above(folder: bytes) -> Iterator[bytes]:
    while folder:
        folder = folder.rpartition(b"/")[0]
        yield folder


def read_papers(io: Io, drives: Drives, found: RollFolder) -> tuple[RollPapers, int, Volume]:
    """Read the papers of one roll; the caller closes the handle of its folder. OSError when the drive fails."""
    drive = shown(found.path)
    handle = io.open_root(found.path)
    try:
        volume = drives.volume_of(found.path)
        papers = read_expectation(io, handle, volume, drive)
        findings = list(papers.findings)
        if exists(io, handle, MARKER_NAME) is not None:
            findings.append(unfinished_finding(drive))
        files = dict(papers.files)
        histories = [(b"", papers.history)]
        for folder in found.inner:
            below = open_below(io, handle, folder)
            try:
                inner = read_expectation(io, below, volume, drive)
            finally:
                with contextlib.suppress(OSError):
                    io.close(below)
            histories.append((folder, inner.history))
            findings += [
                replace(finding, path=_inside(folder, finding.path), drive=drive) for finding in inner.findings
            ]
            for path, wanted in inner.files.items():
                files.setdefault(folder + b"/" + path, wanted)
    except BaseException:
        with contextlib.suppress(OSError):
            io.close(handle)
        raise
    findings = [finding if finding.drive else replace(finding, drive=drive) for finding in findings]
    named = papers.newest or next((link.header for link in reversed(papers.chain.links) if link.header), None)
    name = named.roll if isinstance(named, OffloadHeader) and named.roll else None
    return (
        RollPapers(
            found.folder,
            found.path,
            name or shown(os.path.basename(os.path.realpath(found.path))),
            named.production if named is not None else None,
            files,
            histories,
            papers,
            findings,
        ),
        handle,
        volume,
    )


def _inside(folder: bytes, path: str) -> str:
    return f"{shown(folder)}/{path}" if path else shown(folder)


def papers_unreadable(found: RollFolder, why: str) -> Finding:
    """The finding for a roll whose papers could not be read at all."""
    return error(
        Kind.UNREADABLE_FOLDER,
        f"the history of {shown(found.path)} could not be read ({why})",
        path=shown(found.path),
        remedy="check cable and drive, then do this again",
    )


def no_rolls(base: bytes) -> Finding:
    """The finding for a path with no roll in it."""
    return error(
        Kind.NO_HISTORY,
        f"there is no roll with records or manifests at or below {shown(base)}",
        path=shown(base),
        remedy="name a roll folder, a day or a drive",
    )
