"""After the rolls: the history of the day or the production around them, on every drive that has them all.

Where the source has such an outer history it is carried along and gone on with. Where it has none, the folder that was
named gets one, so that the new drive can tell whether a whole roll is missing.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from rollproof.ascmhl.model import Generation, History, Process
from rollproof.ascmhl.nested import check_references
from rollproof.ascmhl.read import read_history
from rollproof.ascmhl.write import write_generation
from rollproof.copies.inner_history import InnerSets, with_inner
from rollproof.copies.recorded_tree import RecordedTree, RulesAround
from rollproof.copies.roll_lock import locked_finding, try_lock
from rollproof.drives.interface import Drives
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.names import shown
from rollproof.models.requests import Person
from rollproof.models.results import RollResult
from rollproof.station.authorship import this_creator
from rollproof.storage.errors import said
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.workflows.offload.recorded_history import carry_papers

_HAS_IT = ("proven", "copied")


@dataclass(frozen=True, slots=True)
class _Outer:
    """A folder around rolls: relative to what was named, what is in it, and whether the source has its history."""

    folder: bytes
    inner: tuple[bytes, ...]
    at_source: bool


def write_outer_histories(
    io: Io,
    drives: Drives,
    tree: RecordedTree,
    targets: Sequence[tuple[str, str, bytes]],
    done: Mapping[bytes, RollResult],
    person: Person,
) -> list[Finding]:
    """Append to the outer history of every folder around the rolls, on each drive that has all of them.

    `done` are the results by roll folder. What goes wrong is a finding: the rolls in it stand.
    """
    findings: list[Finding] = []
    outers = _outers(tree)
    if not outers:
        return findings
    mount_point = drives.volume_of(tree.path).mount_point
    for outer in outers:
        history = _at_source(io, tree, outer, findings) if outer.at_source else History()
        if history is None:
            continue
        rolls = [result for folder, result in done.items() if _below(folder, outer.folder) in outer.inner]
        for drive, _, base in targets:
            if not rolls or not all(_stands_on(result, drive) for result in rolls):
                findings.append(_left(drive, outer, tree))
                continue
            relative = tree.placed(outer.folder, mount_point)
            try:
                volume = drives.volume_of(base)
                medium = MediumAccess(io, volume.way, volume.source)
                source = tree.path_of(outer.folder) if outer.at_source else None
                target = _Target(drive, base, relative, medium)
                findings += _write(io, outer, source, history, target, person)
            except (OSError, UntrustedInput) as problem:
                why = said(problem) if isinstance(problem, OSError) else problem.message
                findings.append(
                    error(
                        Kind.DRIVE_FAILED,
                        f"the history around the rolls in {shown(relative)} could not be written ({why})",
                        path=shown(relative),
                        drive=drive,
                        remedy="the rolls themselves are as said; check the drive and run the same command again",
                    )
                )
    return findings


def has_outer_histories(tree: RecordedTree) -> bool:
    """Whether something is written around the rolls once they are done."""
    return bool(_outers(tree))


def _outers(tree: RecordedTree) -> list[_Outer]:
    """The inner before the outer."""
    outers = [_Outer(found.folder, found.inner, True) for found in tree.sets if found.outer_only]
    top = tree.top
    if top is not None:
        inner = tuple(found.folder[len(top) + 1 if top else 0 :] for found in tree.sets)
        outers.append(_Outer(top, tuple(sorted(inner)), False))
    return outers


def _below(folder: bytes, top: bytes) -> bytes:
    return folder[len(top) + 1 :] if top and folder.startswith(top + b"/") else folder if not top else b""


def _stands_on(result: RollResult, drive: str) -> bool:
    return any(each.drive == drive and each.state in _HAS_IT for each in result.destinations)


def _left(drive: str, outer: _Outer, tree: RecordedTree) -> Finding:
    name = shown(tree.path_of(outer.folder))
    return warning(
        Kind.NOT_PROVEN,
        f"nothing was added to the history around the rolls of {name}: not all of them are on this drive",
        path=name,
        drive=drive,
        remedy="see to the rolls that failed, then run the same command again",
    )


def _at_source(io: Io, tree: RecordedTree, outer: _Outer, findings: list[Finding]) -> History | None:
    """The outer history of the source, None when it cannot be relied on; what it says of the rolls is compared."""
    path = tree.path_of(outer.folder)
    name = shown(path)
    try:
        root = io.open_root(path)
    except OSError as failure:
        findings.append(_unusable(name, said(failure)))
        return None
    try:
        history = read_history(io, root)
        told = [found for found in history.findings if found.severity is Severity.ERROR]
        inner: list[tuple[bytes, History]] = []
        for folder in outer.inner:
            handle = open_below(io, root, folder)
            try:
                inner.append((folder, read_history(io, handle)))
            finally:
                io.close(handle)
        told += check_references(history, inner).all()
        if history.expected:
            first = shown(min(history.expected))
            told.append(error(Kind.MISSING, f"{first} is recorded and not there", path=first, remedy="look for it"))
    except OSError as failure:
        findings.append(_unusable(name, said(failure)))
        return None
    finally:
        with contextlib.suppress(OSError):
            io.close(root)
    findings += [replace(found, detail=f"history of {name}: {found.detail}") for found in told]
    return None if told else history


def _unusable(name: str, why: str) -> Finding:
    return error(
        Kind.UNREADABLE,
        f"the history of {name} cannot be read ({why}), and was not carried along",
        path=name,
        remedy="check the drive, then run the same command again",
    )


@dataclass(frozen=True, slots=True)
class _Target:
    """Where the history around the rolls goes: the folder `relative` below `base` on a drive."""

    drive: str
    base: bytes
    relative: bytes
    medium: MediumAccess


def _write(io: Io, outer: _Outer, source: bytes | None, history: History, to: _Target, person: Person) -> list[Finding]:
    """Append to the outer history, after the one at `source` was carried along. What is odd is returned."""
    root = io.open_root(to.base)
    handle = -1
    try:
        handle = open_below(io, root, to.relative)
        if not try_lock(io, handle):
            return [locked_finding(to.drive, to.relative)]
        if source is not None:
            opened = io.open_root(source)
            try:
                carry_papers(io, opened, handle, chain=None, history=history, medium=to.medium)
            finally:
                io.close(opened)
        there = read_history(io, handle)
        sets = InnerSets(io, handle, outer.inner)
        if there.newest is not None and there.newest.references == sets.references:
            return []  # it says so already
        generation = Generation(
            process=Process.TRANSFER,
            started_at=datetime.now().astimezone(),
            creator=this_creator(person),
            algorithms=sets.algorithms or ("xxh128",),
            files=(),
            folders=(),
            ignore_patterns=tuple(dict.fromkeys((*there.ignore_patterns, *RulesAround().patterns))),
        )
        whole = with_inner(generation, sets, outer.inner)
        written = write_generation(io, handle, os.path.basename(to.relative), whole, medium=to.medium)
        return [replace(found, drive=to.drive) for found in written.findings]
    finally:
        for each in (handle, root):
            if each >= 0:
                io.close(each)
