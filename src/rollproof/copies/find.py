"""Which roll folders lie at or below a path: a roll, a day, a whole drive."""

from __future__ import annotations

import contextlib
from collections.abc import Container, Iterator

from rollproof.models.errors import Interrupted
from rollproof.models.names import ASCMHL_FOLDER, MARKER_NAME, RECORDS_FOLDER
from rollproof.models.requests import Cancel
from rollproof.storage.errors import said
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io
from rollproof.tree.ignore import LITTER

_DEEPEST = 12
"""How many folders below the given path a roll folder may lie."""
_LITTER = frozenset(name.encode() for name in LITTER)
_NOT_FOR_ROLLS = frozenset((b"lost+found", *(name.encode() for name in LITTER)))


def find_rolls(
    io: Io,
    root: int,
    cancel: Cancel,
    unread: list[tuple[bytes, str]] | None = None,
    *,
    outer: bool = False,
    around: list[bytes] | None = None,
    elsewhere: Container[bytes] = (),
) -> Iterator[bytes]:
    """Relative paths of all folders with a history of ours or of the open standard, or with an unfinished offload;
    the top itself is the empty path. In byte order. Below a roll folder only the open standard's histories are looked
    for. Links are not followed. Folders that could not be searched go to `unread`, with the reason: whoever says that
    all rolls are well must have seen them all. `elsewhere` are folders in which another drive is mounted: not entered.
    Raises Interrupted when the end is asked for.

    A day or a production may have a history around its rolls that refers to theirs. It is no roll, and is among them
    only with `outer`, and in `around` where that is given: there are histories inside it, no records, and no file that
    lies in none of these.
    """
    waiting: list[tuple[bytes, bool]] = [(b"", False)]
    found: list[bytes] = []
    recorded: set[bytes] = set()
    with_files: list[bytes] = []
    missed = unread if unread is not None else []
    while waiting:
        if cancel.is_set():
            raise Interrupted("Stopped while looking for rolls.")
        path, inside = waiting.pop()
        try:
            handle = open_below(io, root, path)
        except OSError as error:
            _miss(missed, path, said(error))
            continue
        try:
            entries = io.list_folder(handle)
        except OSError as error:
            _miss(missed, path, said(error))
            continue
        finally:
            with contextlib.suppress(OSError):
                io.close(handle)
        kinds = dict(entries)
        is_history = kinds.get(ASCMHL_FOLDER) is EntryKind.FOLDER
        is_roll = kinds.get(MARKER_NAME) is EntryKind.FILE
        if kinds.get(RECORDS_FOLDER) is EntryKind.FOLDER and not is_roll:
            try:
                is_roll = _has_roll_records(io, root, path)
            except OSError as error:
                missed.append((path, said(error)))
        if is_roll:
            recorded.add(path)
        if is_history or (is_roll and not inside):
            found.append(path)
        below = [
            name for name, kind in entries if kind is EntryKind.FOLDER and name not in (ASCMHL_FOLDER, RECORDS_FOLDER)
        ]
        deepest = path.count(b"/") + 1 >= _DEEPEST
        if (deepest and below) or any(kind is not EntryKind.FOLDER and name not in _LITTER for name, kind in entries):
            with_files.append(path)
        if deepest:
            if below and not (inside or is_roll or is_history):
                missed.append((path, "it lies too deep: name a folder nearer to it"))
            continue
        # a history without records may be one around rolls, and some of these may have no history yet
        paths = [path + b"/" + name if path else name for name in below]
        waiting += [(each, inside or is_roll) for each in paths if each not in elsewhere]
    left_out = set() if outer else _around(found, recorded, with_files)
    if around is not None:
        around += sorted(left_out)
    yield from (path for path in sorted(found) if path not in left_out)


def _around(found: list[bytes], recorded: set[bytes], with_files: list[bytes]) -> set[bytes]:
    """Histories that only refer to others."""
    sets = set(found)
    has_own = set(recorded)
    for folder in with_files:
        nearest = next((above for above in _upwards(folder) if above in sets), None)
        if nearest is not None:
            has_own.add(nearest)
    has_inner = {above for path in found if path for above in _upwards(path.rpartition(b"/")[0]) if above in sets}
    return has_inner - has_own


def _upwards(folder: bytes) -> Iterator[bytes]:
    """The folder itself, all above it, the top last."""
    while folder:
        yield folder
        folder = folder.rpartition(b"/")[0]
    yield b""


def _miss(missed: list[tuple[bytes, str]], path: bytes, reason: str) -> None:
    """What the operating system keeps to itself on every drive holds no rolls."""
    if path.rpartition(b"/")[2] not in _NOT_FOR_ROLLS:
        missed.append((path, reason))


def _has_roll_records(io: Io, root: int, path: bytes) -> bool:
    """A drive's own `rollproof/` holds handovers and receives only; a roll's begins with an offload or a verify."""
    handle = open_below(io, root, path + b"/" + RECORDS_FOLDER if path else RECORDS_FOLDER)
    try:
        names = [name for name, kind in io.list_folder(handle) if kind is EntryKind.FILE]
    finally:
        io.close(handle)
    return any(b"_offload_" in name or b"_verify_" in name for name in names)
