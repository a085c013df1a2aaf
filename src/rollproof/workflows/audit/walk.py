"""What lies on a drive that is audited: roll folders, histories around several rolls, files outside of all rolls."""

from __future__ import annotations

import contextlib
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from rollproof.ascmhl.read import read_history
from rollproof.copies.find import find_rolls
from rollproof.copies.likeness import named_like_a_roll
from rollproof.copies.nesting import Around, folders_above, nesting
from rollproof.hashing.checksum_lines import algorithm_in_name
from rollproof.models.errors import Interrupted
from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER
from rollproof.models.requests import Cancel
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io
from rollproof.tree.ignore import LITTER
from rollproof.tree.suffixes import is_essence

_PASSED_OVER = frozenset((b"lost+found", *(name.encode() for name in LITTER)))
_DEEPEST = 64


@dataclass(slots=True)
class Loose:
    """A folder outside of all rolls with files that no record names, or a roll folder with nothing in it."""

    folder: bytes
    what: Literal["no record", "empty", "strangers"]
    files: int = 0
    essence: int = 0
    first: bytes = b""
    recorded: int = 0
    """Files in it that a history around rolls speaks of; not among its `files`."""
    lists: list[bytes] = field(default_factory=list)
    """Checksum files in it, which are not among its `files`."""


@dataclass(slots=True)
class Walked:
    """What one walk found; all folders are relative to the one that was walked."""

    rolls: list[bytes] = field(default_factory=list)
    inner: dict[bytes, list[bytes]] = field(default_factory=dict)
    """Histories of the open standard inside a roll."""
    around: list[Around] = field(default_factory=list)
    """Folders with a history of the open standard that holds other rolls: a day, a whole production."""
    loose: list[Loose] = field(default_factory=list)
    unread: list[tuple[bytes, str]] = field(default_factory=list)
    passed_over: list[bytes] = field(default_factory=list)
    """An operating system's own files and folders outside of the rolls."""


def walk_drive(io: Io, root: int, elsewhere: Sequence[bytes], cancel: Cancel, *, name: bytes = b"") -> Walked:
    """Walk below an open folder; `elsewhere` are folders in it where another file system is mounted: not entered.
    `name` is what the open folder is called, empty where it is the top of a drive.

    Raises Interrupted. Folders that could not be searched are in `unread`.
    """
    walked = Walked()
    found = nesting(
        io,
        root,
        list(find_rolls(io, root, cancel, walked.unread, outer=True, elsewhere=frozenset(elsewhere))),
        name=name,
    )
    walked.rolls, walked.inner, walked.around = list(found.rolls), found.rolls, found.around
    known = {
        _join(around.folder, file) for around in found.around if around.has_files for file in _own(io, root, around)
    }
    outside = _Outside(io, root, walked.rolls, elsewhere, known, cancel)
    walked.loose = list(outside.found())
    walked.passed_over = outside.passed_over
    return walked


def _own(io: Io, root: int, around: Around) -> list[bytes]:
    """What a history around rolls speaks of itself."""
    handle = open_below(io, root, around.folder)
    try:
        return list(read_history(io, handle).expected)
    finally:
        io.close(handle)


def _join(folder: bytes, path: bytes) -> bytes:
    return folder + b"/" + path if folder else path


class _Outside:
    """Goes through everything outside of the rolls."""

    def __init__(
        self,
        io: Io,
        root: int,
        rolls: Sequence[bytes],
        elsewhere: Sequence[bytes],
        known: Container[bytes],
        cancel: Cancel,
    ) -> None:
        self._io = io
        self._root = root
        self._stops = {*rolls, *elsewhere}
        self._known = known
        """Files that a history around rolls speaks of."""
        self._parents = {path.rpartition(b"/")[0] for path in rolls if path}
        self._ancestors = {above for path in rolls for above in folders_above(path)}
        self._cancel = cancel
        self.passed_over: list[bytes] = []

    def found(self) -> Iterator[Loose]:
        """Every loose folder, in byte order."""
        if b"" in self._stops:
            return
        out: dict[bytes, Loose] = {}
        waiting: list[tuple[bytes, Loose | None]] = [(b"", None)]
        while waiting:
            if self._cancel.is_set():
                raise Interrupted("Stopped while looking for rolls.")
            path, owner = waiting.pop()
            entries = self._entries(path)
            if self._begins(path, owner):
                owner = out[path] = Loose(path, "empty")
            for name, kind in entries:
                below = path + b"/" + name if path else name
                if kind is EntryKind.FOLDER:
                    ours = name in (ASCMHL_FOLDER, RECORDS_FOLDER)
                    if not ours and below not in self._stops and path.count(b"/") < _DEEPEST:
                        waiting.append((below, owner))
                elif kind is EntryKind.FILE:
                    loose = owner or out.setdefault(path, Loose(path, "strangers"))
                    if below in self._known:
                        loose.recorded += 1
                        continue
                    if algorithm_in_name(name) is not None:
                        loose.lists.append(below)
                        continue
                    loose.files += 1
                    loose.essence += is_essence(name)
                    if not loose.first or below < loose.first:
                        loose.first = below
        for path in sorted(out):
            loose = out[path]
            if loose.files:
                loose.what = "no record" if loose.essence and self._like_a_roll(path) else "strangers"
            elif loose.lists:
                loose.what = "strangers"
            elif loose.recorded or not named_like_a_roll(path):
                continue
            yield loose

    def _begins(self, path: bytes, owner: Loose | None) -> bool:
        """Whether this folder and what is in it are told by themselves: a folder beside the way to the rolls, or one in
        it that is named like a roll. So there are few of them, however many folders a drive has."""
        if not path or path in self._ancestors:
            return False
        if owner is None:
            return True
        return not named_like_a_roll(owner.folder) and named_like_a_roll(path)

    def _like_a_roll(self, path: bytes) -> bool:
        return path.rpartition(b"/")[0] in self._parents or named_like_a_roll(path)

    def _entries(self, path: bytes) -> list[tuple[bytes, EntryKind]]:
        # (what could not be opened was told by the search for rolls)
        with contextlib.suppress(OSError):
            handle = open_below(self._io, self._root, path)
            try:
                entries = list(self._io.list_folder(handle))
                start = path + b"/" if path else b""
                self.passed_over += [start + name for name, _ in entries if name in _PASSED_OVER]
                return [entry for entry in entries if entry[0] not in _PASSED_OVER]
            finally:
                self._io.close(handle)
        return []
