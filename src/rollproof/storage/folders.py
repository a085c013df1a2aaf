"""Folder handles below one root: opened once, kept while they are in use, never left behind by a path.

Writes by path land on the parent file system after a lazy unmount; writes through handles do not. Every folder
opened here is below the root, on the same device as the root, and was reached without following a link.
"""

from __future__ import annotations

import contextlib
import errno
from collections import OrderedDict

from rollproof.storage.files import open_below
from rollproof.storage.io import Io


class FolderHandles:
    """At most `limit` open handles of folders below `root`, least recently used closed first. For one thread."""

    def __init__(self, io: Io, root: int, *, create: bool = False, limit: int = 32) -> None:
        self._io = io
        self._root = root
        self._create = create
        self._limit = limit
        self._device = io.fstat(root).device
        self._open: OrderedDict[bytes, int] = OrderedDict()
        self.touched: set[bytes] = set()
        """Folders that were asked for, and all above them: with `create`, those whose entries must be flushed."""

    def handle(self, folder: bytes) -> int:
        """The handle of a folder by its relative path (empty: the root itself); valid until the next call.

        OSError EXDEV when another file system is mounted there.
        """
        if not folder:
            if self._create:
                self.touched.add(b"")
            return self._root
        found = self._open.get(folder)
        if found is not None:
            self._open.move_to_end(folder)
            return found
        start, rest = self._nearest(folder)
        handle = open_below(self._io, start, rest, create=self._create)
        if self._io.fstat(handle).device != self._device:
            self._io.close(handle)
            raise OSError(errno.EXDEV, "another file system is mounted inside the folder", folder)
        self._open[folder] = handle
        if self._create:
            while folder not in self.touched:
                self.touched.add(folder)
                folder = folder.rpartition(b"/")[0]
            self.touched.add(b"")
        if len(self._open) > self._limit:
            _, oldest = self._open.popitem(last=False)
            self._io.close(oldest)
        return handle

    def _nearest(self, folder: bytes) -> tuple[int, bytes]:
        """The open folder closest above, and the way down from there: going through thousands of nested folders from
        the root each time would take their number squared."""
        above = folder.rpartition(b"/")[0]
        while above:
            found = self._open.get(above)
            if found is not None:
                self._open.move_to_end(above)
                return found, folder[len(above) + 1 :]
            above = above.rpartition(b"/")[0]
        return self._root, folder

    def close(self) -> None:
        """Close every handle but the root's."""
        for handle in self._open.values():
            with contextlib.suppress(OSError):
                self._io.close(handle)
        self._open.clear()
