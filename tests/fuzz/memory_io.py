"""A drive in memory for parsers that read through `Io`: folders and files as data, opened and read, never written."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from typing import Any, cast

from rollproof.storage.io import EntryKind, Io, Stat

Folder = Mapping[bytes, "bytes | Folder"]


class MemoryIo:
    """`open_root` gives the handle of the tree. Whatever would write is a mistake of the test."""

    name = "memory"

    def __init__(self, tree: Folder) -> None:
        self._tree = tree
        self._open: dict[int, bytes | Folder] = {}
        self._next = 3

    @classmethod
    def root_of(cls, tree: Folder) -> tuple[Io, int]:
        """An `Io` and the open root of a tree."""
        made = cls(tree)
        return cast(Io, made), made.open_root(b"/")

    def _handle(self, thing: bytes | Folder) -> int:
        self._next += 1
        self._open[self._next] = thing
        return self._next

    def _child(self, name: bytes, folder: int) -> bytes | Folder:
        if name == b".":
            return self._open[folder]
        inside = self._open[folder]
        assert isinstance(inside, Mapping)
        if name not in inside:
            raise FileNotFoundError(errno.ENOENT, "no such file", name)
        return inside[name]

    def open_root(self, path: bytes) -> int:
        """The tree."""
        return self._handle(self._tree)

    def open_folder(self, name: bytes, folder: int) -> int:
        """A folder below."""
        found = self._child(name, folder)
        if isinstance(found, bytes):
            raise NotADirectoryError(errno.ENOTDIR, "no folder", name)
        return self._handle(found)

    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        """A file below."""
        found = self._child(name, folder)
        if not isinstance(found, bytes):
            raise OSError(errno.EINVAL, "no regular file", name)
        return self._handle(found)

    def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
        """Everything in a folder."""
        inside = self._open[folder]
        assert isinstance(inside, Mapping)
        return [(name, EntryKind.FILE if isinstance(it, bytes) else EntryKind.FOLDER) for name, it in inside.items()]

    def stat(self, name: bytes, folder: int) -> Stat:
        """Of an entry."""
        return self._stat(self._child(name, folder))

    def fstat(self, handle: int) -> Stat:
        """Of an open one."""
        return self._stat(self._open[handle])

    @staticmethod
    def _stat(thing: bytes | Folder) -> Stat:
        is_file = isinstance(thing, bytes)
        return Stat(EntryKind.FILE if is_file else EntryKind.FOLDER, len(thing) if is_file else 0, 0, 1, id(thing), 1)

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        """Bytes of a file."""
        thing = self._open[handle]
        assert isinstance(thing, bytes)
        piece = thing[offset : offset + len(view)]
        view[: len(piece)] = piece
        return len(piece)

    def close(self, handle: int) -> None:
        """Forget it."""
        del self._open[handle]

    def __getattr__(self, name: str) -> Any:
        raise AssertionError(f"a parser called {name}")
