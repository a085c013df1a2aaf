"""Which roll folders lie at or below a path: a roll, a day, a whole drive."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from rollproof.models.names import ASCMHL_FOLDER, MARKER_NAME, RECORDS_FOLDER
from rollproof.models.requests import Cancel
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io

_DEEPEST = 12
"""How many folders below the given path a roll folder may lie."""


def find_rolls(io: Io, root: int, cancel: Cancel) -> Iterator[bytes]:
    """Relative paths of all folders with a history of ours or of the open standard, or with an unfinished offload;
    the top itself is the empty path. In byte order. Below a roll folder only the open standard's histories are looked
    for. Links are not followed; folders that do not open are passed over."""
    waiting: list[tuple[bytes, bool]] = [(b"", False)]
    found: list[bytes] = []
    while waiting and not cancel.is_set():
        path, inside = waiting.pop()
        try:
            handle = open_below(io, root, path)
        except OSError:
            continue
        try:
            entries = io.list_folder(handle)
        except OSError:
            continue
        finally:
            with contextlib.suppress(OSError):
                io.close(handle)
        kinds = dict(entries)
        is_history = kinds.get(ASCMHL_FOLDER) is EntryKind.FOLDER
        is_roll = is_history or kinds.get(MARKER_NAME) is EntryKind.FILE
        if kinds.get(RECORDS_FOLDER) is EntryKind.FOLDER and not is_roll:
            is_roll = _has_roll_records(io, root, path)
        if is_history or (is_roll and not inside):
            found.append(path)
        if path.count(b"/") + 1 >= _DEEPEST:
            continue
        for name, kind in entries:
            if kind is EntryKind.FOLDER and name not in (ASCMHL_FOLDER, RECORDS_FOLDER):
                waiting.append((path + b"/" + name if path else name, inside or is_roll))
    yield from sorted(found)


def _has_roll_records(io: Io, root: int, path: bytes) -> bool:
    """A drive's own `rollproof/` holds handovers and receives only; a roll's begins with an offload or a verify."""
    try:
        handle = open_below(io, root, path + b"/" + RECORDS_FOLDER if path else RECORDS_FOLDER)
    except OSError:
        return False
    try:
        names = [name for name, kind in io.list_folder(handle) if kind is EntryKind.FILE]
    except OSError:
        return False
    finally:
        io.close(handle)
    return any(b"_offload_" in name or b"_verify_" in name for name in names)
