"""Going from folder to folder of a deep tree with a handful of open handles, following no link."""

from __future__ import annotations

import contextlib

from rollproof.storage.io import Io


class Descent:
    """The open handles along one path below `root`: at most `keep` of them, the deepest ones.

    Meant for a walk in which each folder is near the one before it: `enter` opens only what differs. When a walk
    climbs above the kept handles they are opened afresh from the root. For one thread.
    """

    def __init__(self, io: Io, root: int, *, keep: int = 32) -> None:
        self._io = io
        self._root = root
        self._keep = keep
        self._parts: list[bytes] = []
        self._handles: dict[int, int] = {}
        """Handle by depth; depth 1 is a folder directly below the root."""

    def enter(self, path: bytes) -> int:
        """The handle of the folder at a relative path (empty: the root itself), valid until the next call.

        OSError as `Io.open_folder` raises it, for the component that could not be opened.
        """
        parts = path.split(b"/") if path else []
        shared = 0
        for mine, wanted in zip(self._parts, parts, strict=False):
            if mine != wanted:
                break
            shared += 1
        for depth in [depth for depth in self._handles if depth > shared]:
            self._close(depth)
        del self._parts[shared:]
        start = max((depth for depth in self._handles if depth <= shared), default=0)
        current = self._handles.get(start, self._root)
        for depth in range(start + 1, len(parts) + 1):
            current = self._io.open_folder(parts[depth - 1], current)
            self._handles[depth] = current
            if depth > shared:
                self._parts.append(parts[depth - 1])
            self._close(depth - self._keep)
        return current

    def close(self) -> None:
        """Close every handle but the root's."""
        for depth in list(self._handles):
            self._close(depth)
        self._parts.clear()

    def _close(self, depth: int) -> None:
        handle = self._handles.pop(depth, None)
        if handle is not None:
            # it was only read: nothing can be lost by a close that fails
            with contextlib.suppress(OSError):
                self._io.close(handle)
