"""What lies in folders that walks leave out: an operating system's own files, and what somebody may have put there."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from rollproof.models.requests import Cancel
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io

MOST_LITTER = 100_000
"""Entries that are looked at in all."""
_DEEPEST = 64


def walk_litter(
    io: Io, root: int, path: bytes, budget: list[int], cancel: Cancel
) -> Iterator[tuple[bytes, int, EntryKind]]:
    """Path, size and kind of everything at or below a path in an open folder that is no folder itself.

    No link is followed and no other file system entered. What could not be looked into comes as a special file; so
    does the rest when the `budget` is used up, which ends the walk.
    """
    top = io.fstat(root).device
    waiting = [path]
    while waiting:
        current = waiting.pop()
        budget[0] -= 1
        if budget[0] < 0 or cancel.is_set() or current.count(b"/") > _DEEPEST:
            yield current, 0, EntryKind.SPECIAL
            return
        folder, _, name = current.rpartition(b"/")
        parent = -1
        try:
            parent = open_below(io, root, folder)
            found = io.stat(name, parent)
            if found.kind is not EntryKind.FOLDER:
                yield current, found.size, found.kind
                continue
            handle = io.open_folder(name, parent)
            try:
                if io.fstat(handle).device != top:
                    yield current, 0, EntryKind.SPECIAL
                    continue
                waiting += [current + b"/" + inner for inner, _ in io.list_folder(handle)]
            finally:
                io.close(handle)
        except OSError:
            yield current, 0, EntryKind.SPECIAL
        finally:
            if parent >= 0:
                with contextlib.suppress(OSError):
                    io.close(parent)
