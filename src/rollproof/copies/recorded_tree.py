"""Is this a card, or are these recorded copies? Which rolls lie there, one inside another, and where they go.

A folder with a history at its top is a recorded copy of a roll; a folder above such ones is a day, a production or a
drive. A card that merely has a folder called `ascmhl` somewhere, with no manifest in it, stays a card.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rollproof.ascmhl.folder import history_folder
from rollproof.ascmhl.standard import CHAIN_NAME, is_manifest_name
from rollproof.copies.find import find_rolls
from rollproof.drives.interface import Drives
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import ASCMHL_FOLDER, MARKER_NAME, RECORDS_FOLDER, collision_key, shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import FileEntry
from rollproof.records.lines import BadRecord
from rollproof.records.models import OffloadHeader
from rollproof.records.read import read_header
from rollproof.records.store import look, records_folder
from rollproof.storage.files import exists, open_below
from rollproof.storage.io import Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.tree.suffixes import is_media

_OURS = frozenset((ASCMHL_FOLDER, RECORDS_FOLDER))


class RulesAround(IgnoreRules):
    """Rules for the walk of one recorded copy that leave out the data sets inside it, which have their own history.

    They are not among `patterns`: a manifest refers to inner histories, it does not ignore them.
    """

    def __init__(self, own: Iterable[str] = (), *, inner: Iterable[bytes] = ()) -> None:
        super().__init__(own, of_copy=True)
        self.inner = frozenset(inner)

    def for_copy(self) -> IgnoreRules:
        """The same: they are for copies."""
        return self

    def matches(self, path: bytes, is_folder: bool) -> bool:
        """As `IgnoreRules.matches`."""
        if self.inner and any(path == folder or path.startswith(folder + b"/") for folder in self.inner):
            return True
        return super().matches(path, is_folder)

    def matches_entry(self, path: bytes, name: bytes, is_folder: bool) -> bool:
        """As `IgnoreRules.matches_entry`."""
        return (is_folder and path in self.inner) or super().matches_entry(path, name, is_folder)


@dataclass(frozen=True, slots=True)
class RecordedSet:
    """A folder with a history. Both paths are relative to the folder that was named; `inner` to this one.

    `outer_only` is one that holds nothing but other data sets: its history refers to theirs, and there is no file of
    its own to be copied.
    """

    folder: bytes
    inner: tuple[bytes, ...]
    outer_only: bool


@dataclass(frozen=True, slots=True)
class RecordedTree:
    """What was named, when it is no card. `sets` come with the inner before the outer. `findings` are about no single
    roll: what could not be searched, and what lies beside the rolls. `production` is what the records name, if any."""

    path: bytes
    sets: tuple[RecordedSet, ...]
    findings: tuple[Finding, ...]
    production: str | None
    is_drive: bool = False
    """Whether a whole drive was named: the root of its mount."""

    @property
    def rolls(self) -> list[RecordedSet]:
        """Those with files of their own to be copied."""
        return [found for found in self.sets if not found.outer_only]

    @property
    def top(self) -> bytes | None:
        """The folder around all rolls that is to get a history of its own on the new drive, relative to what was
        named; None where there is one already, or where it would be the drive itself."""
        folders = [found.folder for found in self.sets]
        if b"" in folders:
            return None
        if not self.is_drive:
            return b""
        above = [folder.rpartition(b"/")[0] for folder in folders]
        common = os.path.commonpath(above) if all(above) else b""
        return common if common and common not in folders else None

    def path_of(self, folder: bytes) -> bytes:
        """The whole path of a folder in it."""
        return os.path.join(self.path, folder) if folder else self.path

    def placed(self, folder: bytes, mount_point: bytes) -> bytes:
        """Where a folder goes below the folder on the new drive: the folder structure is kept from the production on,
        else from the folder that was named on, else (a whole drive was named) as it is on the drive."""
        real = os.path.realpath(self.path)
        below = os.path.relpath(real, os.path.realpath(mount_point))
        named = [] if below == b"." else [part for part in below.split(b"/") if part != b".."]
        parts = [part for part in folder.split(b"/") if part]
        if self.production is not None:
            key = collision_key(self.production.encode("utf-8", "surrogateescape"))
            for index, part in enumerate(named):
                if collision_key(part) == key:
                    return b"/".join([*named[index:], *parts])
            if any(collision_key(part) == key for part in parts[:-1]):
                return b"/".join(parts)
        return b"/".join([*named[-1:], *parts]) or os.path.basename(real)


def recorded_tree(io: Io, drives: Drives, path: bytes, cancel: Cancel) -> RecordedTree | None:
    """The recorded rolls at or below a path; None where it is a card (or cannot be looked at: whoever opens it as a
    card says so). Raises Interrupted."""
    try:
        root = io.open_root(path)
    except OSError:
        return None
    try:
        tree = _Search(io, path, root, cancel).run()
        return tree and replace(tree, is_drive=drives.volume_of(path).is_mount_root)
    except OSError:
        return None
    finally:
        with contextlib.suppress(OSError):
            io.close(root)


class _Search:
    def __init__(self, io: Io, path: bytes, root: int, cancel: Cancel) -> None:
        self._io = io
        self._path = path
        self._root = root
        self._cancel = cancel

    def run(self) -> RecordedTree | None:
        unread: list[tuple[bytes, str]] = []
        found = list(find_rolls(self._io, self._root, self._cancel, unread, outer=True))
        found = [folder for folder in found if not folder or self._is_recorded(folder)]
        if not found:
            return None
        outside = () if b"" in found else self._own_files(b"", found)
        findings = [self._unread(folder, why) for folder, why in unread]
        findings += self._about_outside(outside)
        # the inner before the outer: an outer history refers to what the inner ones have become
        sets = [self._set(folder, found) for folder in sorted(found, key=lambda each: (-_depth(each), each))]
        productions = (self._production(folder)[1] for folder in found)
        return RecordedTree(
            self._path, tuple(sets), tuple(findings), next((name for name in productions if name), None)
        )

    def _is_recorded(self, folder: bytes) -> bool:
        """Whether there is more than a folder with the name of a history."""
        handle = open_below(self._io, self._root, folder)
        try:
            with contextlib.suppress(OSError, UntrustedInput), history_folder(self._io, handle) as history:
                if history is not None:
                    names = [name for name, _ in self._io.list_folder(history)]
                    if any(name == CHAIN_NAME or is_manifest_name(name) for name in names):
                        return True
            ours = (RECORDS_FOLDER, MARKER_NAME)
            return any(exists(self._io, handle, name) is not None for name in ours)
        finally:
            self._io.close(handle)

    def _set(self, folder: bytes, found: Sequence[bytes]) -> RecordedSet:
        inner = [other[len(folder) + 1 if folder else 0 :] for other in found if _is_below(other, folder)]
        outer_only = bool(inner) and not self._production(folder)[0] and not self._own_files(folder, inner)
        return RecordedSet(folder, tuple(inner), outer_only)

    def _own_files(self, folder: bytes, inner: Sequence[bytes]) -> list[FileEntry]:
        """Files in a folder that lie in none of the data sets inside, but for papers."""
        handle = open_below(self._io, self._root, folder)
        try:
            there = take_snapshot(self._io, handle, RulesAround(inner=inner), cancel=self._cancel)
        finally:
            self._io.close(handle)
        return [entry for entry in there.files if _OURS.isdisjoint(entry.path.split(b"/")[:-1])]

    def _production(self, folder: bytes) -> tuple[bool, str | None]:
        """Whether there are records of an offload or a verify, and the production that the first of them names."""
        try:
            handle = open_below(self._io, self._root, folder)
            try:
                with records_folder(self._io, handle) as records:
                    names = look(self._io, records).records
                names = tuple(name for name in names if name.kind in ("offload", "verify"))
                first = next((name for name in names if name.kind == "offload"), None)
                if first is None:
                    return bool(names), None
                header = read_header(self._io, handle, first.name)
                return True, header.production if isinstance(header, OffloadHeader) else None
            finally:
                self._io.close(handle)
        except (OSError, BadRecord):
            return False, None

    def _unread(self, folder: bytes, why: str) -> Finding:
        path = shown(os.path.join(self._path, folder) if folder else self._path)
        return error(
            Kind.UNREADABLE_FOLDER,
            f"the folder {path} could not be searched ({why}); rolls in it are not copied",
            path=path,
            remedy="check the drive and who may read that folder, then run the same command again",
        )

    def _about_outside(self, outside: Sequence[FileEntry]) -> list[Finding]:
        findings: list[Finding] = []
        for media in (True, False):
            paths = [entry.path for entry in outside if is_media(entry.path.rpartition(b"/")[2]) is media]
            if not paths:
                continue
            more = f" and {len(paths) - 1:,} more" if len(paths) > 1 else ""
            what = "which looks like footage, lies" if media else "lies"
            findings.append(
                Finding(
                    Kind.UNKNOWN_FILE,
                    Severity.ERROR if media else Severity.WARNING,
                    shown(paths[0]),
                    f"{shown(paths[0])}{more}, {what} in no recorded roll: nothing is known of it, and it stays behind",
                    remedy="find out which roll it belongs to; offload its card, or copy it by other means",
                    count=len(paths),
                )
            )
        return findings


def _depth(folder: bytes) -> int:
    return folder.count(b"/") + bool(folder)


def _is_below(folder: bytes, top: bytes) -> bool:
    return folder != top and (not top or folder.startswith(top + b"/"))
