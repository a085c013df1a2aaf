"""Histories of the open standard inside one another (ASC MHL v1.0, nested histories).

A file is recorded only in the nearest history above it, and an outer history refers to the manifests of the inner ones,
so that none of these, and no whole roll, can be dropped unnoticed. The inner ones are verified before the outer.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from rollproof.ascmhl.model import Generation, History, Process
from rollproof.ascmhl.nested import check_references
from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.write import write_generation
from rollproof.copies.inner_history import InnerSets, with_inner
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.drives.interface import Drives
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import ASCMHL_FOLDER, shown
from rollproof.models.requests import Person
from rollproof.models.tree import Snapshot
from rollproof.station.authorship import this_creator
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.tree.ignore import IgnoreRules

LOOK_ELSEWHERE = "look for that roll on the other drives; keep every copy of it, and its card"
_GONE = (Kind.MANIFEST_MISSING, Kind.MANIFEST_CHANGED)


def in_order(folders: Iterable[bytes]) -> Iterator[tuple[bytes, tuple[bytes, ...]]]:
    """Every folder after all that lie in it, with these, relative to it."""
    ordered = sorted(folders, key=lambda folder: folder.split(b"/"))
    open_ones: list[bytes] = []
    for folder in ordered:
        while open_ones and not folder.startswith(open_ones[-1] + b"/" if open_ones[-1] else b""):
            yield _with_inner_of(open_ones.pop(), ordered)
        open_ones.append(folder)
    while open_ones:
        yield _with_inner_of(open_ones.pop(), ordered)


def _with_inner_of(folder: bytes, ordered: Sequence[bytes]) -> tuple[bytes, tuple[bytes, ...]]:
    start = folder + b"/" if folder else b""
    return folder, tuple(sorted(each[len(start) :] for each in ordered if each != folder and each.startswith(start)))


def is_below(path: bytes, folders: Iterable[bytes]) -> bool:
    """Whether a path lies in one of the folders."""
    return any(path.startswith(folder + b"/") for folder in folders)


def own_files(there: Snapshot, inner: Sequence[bytes], recorded: Container[bytes]) -> Snapshot:
    """What lies in a roll without what only the histories inside it have to speak of."""
    if not inner:
        return there
    return replace(
        there,
        files=tuple(entry for entry in there.files if entry.path in recorded or not is_below(entry.path, inner)),
        folders=tuple(folder for folder in there.folders if not is_below(folder, inner)),
    )


class OuterHistories:
    """Goes on with histories around rolls that were just verified."""

    def __init__(self, io: Io, drives: Drives, person: Person) -> None:
        self._io = io
        self._drives = drives
        self._person = person

    def check(self, path: bytes, inner: Sequence[bytes]) -> list[Finding]:
        """Compare what the history in the folder `path` refers to with the rolls in it. Its own files are not looked
        at, and nothing is appended."""
        return self.verify(path, inner, append=False)

    def verify(self, path: bytes, inner: Sequence[bytes], *, append: bool = True) -> list[Finding]:
        """Compare what the history in the folder `path` refers to with the rolls in it, and append a generation.

        Nothing is appended where something it refers to is gone or was changed: the next look must find that too.
        """
        name = shown(path)
        try:
            handle = self._io.open_root(path)
            try:
                return self._verify(path, handle, inner, append=append)
            finally:
                with contextlib.suppress(OSError):
                    self._io.close(handle)
        except (OSError, UntrustedInput) as problem:
            why = said(problem) if isinstance(problem, OSError) else problem.message
            detail = f"the history around the rolls in {name} could not be read or added to ({why})"
            return [error(Kind.DRIVE_FAILED, detail, path=name, remedy="check the drive and verify again")]

    def _verify(self, path: bytes, handle: int, inner: Sequence[bytes], *, append: bool) -> list[Finding]:
        name = shown(path)
        if not try_lock(self._io, handle):
            return [locked_finding(name, os.path.basename(path))]
        history = read_history(self._io, handle)
        sets = InnerSets(self._io, handle, inner)
        found = [*history.findings, *by_roll(check_references(history, sets.histories).all(), history, inner)]
        for own in sorted(history.expected)[:1] if append else ():
            more = f" and {len(history.expected) - 1:,} more" if len(history.expected) > 1 else ""
            detail = f"{shown(own)}{more} is recorded and not there"
            found.append(error(Kind.MISSING, detail, path=shown(own), count=len(history.expected)))
        found = [replace(odd, drive=name, remedy=odd.remedy or LOOK_ELSEWHERE) for odd in found]
        if not append or any(odd.severity is Severity.ERROR for odd in found):
            return found
        newest = history.newest
        if newest is not None and newest.references == sets.references:
            return found
        volume = self._drives.volume_of(path)
        if volume.read_only or not os.access(path, os.W_OK):
            return found  # (every roll says so)
        generation = Generation(
            process=Process.IN_PLACE,
            started_at=datetime.now().astimezone(),
            creator=this_creator(self._person),
            algorithms=sets.algorithms or ("xxh128",),
            files=(),
            folders=(),
            ignore_patterns=tuple(dict.fromkeys((*history.ignore_patterns, *IgnoreRules(of_copy=True).patterns))),
        )
        written = write_generation(
            self._io,
            handle,
            os.path.basename(os.path.realpath(path)),
            with_inner(generation, sets, inner),
            medium=MediumAccess(self._io, volume.way, volume.source),
        )
        return [*found, *(replace(odd, drive=name) for odd in written.findings)]


def by_roll(found: Sequence[Finding], history: History, inner: Sequence[bytes]) -> list[Finding]:
    """One finding for a roll that is gone, whatever the number of its manifests."""
    newest = history.newest
    if newest is None:
        return list(found)
    folders: dict[str, bytes] = {}
    for reference in newest.references:
        folders[shown(reference.path)] = reference.path.rpartition(b"/" + ASCMHL_FOLDER + b"/")[0]
    out: list[Finding] = []
    for odd in found:
        folder = folders.get(odd.path, b"")
        if odd.kind not in _GONE or folder in inner or not folder:
            out.append(odd)
            continue
        detail = f"the history around the rolls knows {shown(folder)}, and it is not there or has no history any more"
        gone = error(Kind.MISSING, detail, path=shown(folder))
        if gone not in out:
            out.append(gone)
    return out
