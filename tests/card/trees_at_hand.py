"""Snapshots made from a list of names, walks of real folders, and trees too deep for anything that recurses."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from rollproof.models.requests import Cancel
from rollproof.models.tree import Clip, FileEntry, Snapshot
from rollproof.storage.io import EntryKind, Io, Stat
from rollproof.storage.posix import LinuxIo
from rollproof.storage.system import system_io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import listing_digest, take_snapshot


def listed(names: Iterable[str | bytes], folders: Iterable[str | bytes] = (), *, size: int = 10) -> Snapshot:
    """A snapshot as a walk would have made it; the folders above the files are in it."""
    paths = sorted({name.encode() if isinstance(name, str) else name for name in names})
    found = {folder.encode() if isinstance(folder, str) else folder for folder in folders}
    for path in paths:
        while path := path.rpartition(b"/")[0]:
            found.add(path)
    files = tuple(FileEntry(path, size, 1_000) for path in paths)
    ordered = tuple(sorted(found))
    return Snapshot(files, ordered, (), (), listing_digest(files, ordered))


def walked(
    root: Path, rules: IgnoreRules | None = None, *, io: Io | None = None, cancel: Cancel | None = None, **more: int
) -> Snapshot:
    """A walk over a real folder."""
    io = io or system_io()
    handle = io.open_root(os.fsencode(root))
    try:
        return take_snapshot(io, handle, rules or IgnoreRules(), cancel=cancel, **more)
    finally:
        io.close(handle)


def paths_of(snapshot: Snapshot) -> list[bytes]:
    """The files' paths, in order."""
    return [entry.path for entry in snapshot.files]


def said(snapshot: Snapshot) -> set[tuple[str, str, str]]:
    """Kind, severity and path of every finding."""
    return {(finding.kind.value, finding.severity.value, finding.path) for finding in snapshot.findings}


def named_clips(snapshot: Snapshot, clips: Iterable[Clip]) -> dict[str, list[str]]:
    """Clip names to the paths of their files, as text."""
    return {clip.name: [snapshot.files[index].path.decode("latin-1") for index in clip.files] for clip in clips}


@contextmanager
def chain_of_folders(root: Path, names: list[bytes]) -> Iterator[None]:
    """Folders inside each other, of any depth, taken away again without recursion."""
    handle = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    made = 0
    try:
        for name in names:
            os.mkdir(name, dir_fd=handle)
            following = os.open(name, os.O_RDONLY | os.O_DIRECTORY, dir_fd=handle)
            os.close(handle)
            handle = following
            made += 1
        yield
    finally:
        for name in reversed(names[:made]):
            for entry in os.listdir(handle):
                os.unlink(entry, dir_fd=handle)
            above = os.open(b"..", os.O_RDONLY | os.O_DIRECTORY, dir_fd=handle)
            os.close(handle)
            handle = above
            os.rmdir(name, dir_fd=handle)
        os.close(handle)


class WatchedIo(LinuxIo):
    """The real system, counting folder handles that are open and calls that open one."""

    def __init__(self) -> None:
        super().__init__()
        self.open_now: set[int] = set()
        self.most_open = 0
        self.opened = 0

    def open_folder(self, name: bytes, folder: int) -> int:
        handle = super().open_folder(name, folder)
        self.open_now.add(handle)
        self.opened += 1
        self.most_open = max(self.most_open, len(self.open_now))
        return handle

    def close(self, handle: int) -> None:
        self.open_now.discard(handle)
        super().close(handle)


class FaultyIo(LinuxIo):
    """The real system, with failures by name and listings that lie."""

    def __init__(
        self,
        *,
        stat_errors: Mapping[bytes, int] | None = None,
        open_errors: Mapping[bytes, int] | None = None,
        list_error: int | None = None,
        extra: Iterable[tuple[bytes, EntryKind]] = (),
    ) -> None:
        super().__init__()
        self.stat_errors = stat_errors or {}
        self.open_errors = open_errors or {}
        self.list_error = list_error
        self.extra = list(extra)

    def open_folder(self, name: bytes, folder: int) -> int:
        if name in self.open_errors:
            raise OSError(self.open_errors[name], os.strerror(self.open_errors[name]))
        return super().open_folder(name, folder)

    def stat(self, name: bytes, folder: int) -> Stat:
        if name in self.stat_errors:
            raise OSError(self.stat_errors[name], os.strerror(self.stat_errors[name]))
        return super().stat(name, folder)

    def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
        if self.list_error is not None:
            raise OSError(self.list_error, os.strerror(self.list_error))
        return super().list_folder(folder) + self.extra
