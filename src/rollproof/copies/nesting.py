"""Which folders with a history are rolls, which lie inside a roll, and which lie around several rolls.

A day or a production may have a history of the open standard around its rolls, written by this tool or by somebody
else's (ASC MHL v1.0, nested histories). It is no roll, and yet it may speak of files of its own: a sound report.
"""

from __future__ import annotations

import os
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from rollproof.ascmhl.read import read_history
from rollproof.copies.likeness import named_like_a_roll
from rollproof.drives.interface import Drives
from rollproof.models.counting import count_of
from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.names import ASCMHL_FOLDER, MARKER_NAME, RECORDS_FOLDER, shown
from rollproof.records.chain import read_chain
from rollproof.records.models import OffloadHeader
from rollproof.storage.files import exists, open_below
from rollproof.storage.io import Io
from rollproof.tree.suffixes import is_essence

_HIGHEST = 12
"""How many folders above a path are looked at."""


@dataclass(frozen=True, slots=True)
class Around:
    """A history around rolls. `inner` are the folders with a history in it, relative to it."""

    folder: bytes
    inner: tuple[bytes, ...]
    has_files: bool
    """Whether it speaks of files of its own."""


@dataclass(slots=True)
class Nesting:
    """All histories below one folder; paths are relative to it."""

    rolls: dict[bytes, list[bytes]] = field(default_factory=dict)
    """Every roll, in byte order, with the histories inside it."""
    around: list[Around] = field(default_factory=list)
    """The histories around rolls, those that lie deeper before those around them."""


def nesting(io: Io, root: int, histories: Sequence[bytes], *, name: bytes = b"") -> Nesting:
    """Sort the folders with a history below an open folder, in byte order, as `find_rolls` with `outer` finds them.

    `name` is what the open folder itself is called, empty where it is the top of a drive.
    """
    found = Nesting()
    around: list[Around] = []
    for path in histories:
        above = next((folder for folder in folders_above(path) if folder in found.rolls), None)
        if above is not None:
            found.rolls[above].append(path)
            continue
        start = path + b"/" if path else b""
        begin = bisect_left(histories, start) if path else 1
        end = bisect_left(histories, path + b"0") if path else len(histories)  # (0 comes right after the slash)
        inner = tuple(each[len(start) :] for each in histories[begin:end])
        kind = _around(io, root, path, inner, path or name) if inner else None
        if kind is None:
            found.rolls[path] = []
        else:
            around.append(kind)
    found.around = around[::-1]
    return found


def _around(io: Io, root: int, path: bytes, inner: Sequence[bytes], name: bytes) -> Around | None:
    """The history in `path` as one around rolls; None where the folder is a roll itself."""
    try:
        handle = open_below(io, root, path)
        try:
            if exists(io, handle, MARKER_NAME) is not None or _was_a_card(io, handle):
                return None
            own = read_history(io, handle).expected
            around = not any(is_essence(file.rpartition(b"/")[2]) for file in own)
            if not around and not (name and named_like_a_roll(name)):
                around = any(named_like_a_roll(each) or _has_offload(io, handle, each) for each in inner)
            return Around(path, tuple(inner), bool(own)) if around else None
        finally:
            io.close(handle)
    except OSError:
        return None


def _was_a_card(io: Io, handle: int) -> bool:
    """Whether its records tell of the offload of a card. Somebody's history of a day that was copied on has records of
    an offload too, and stays what it is."""
    headers = [link.header for link in read_chain(io, handle).links]
    return any(isinstance(header, OffloadHeader) and not header.of_copy for header in headers)


def _has_offload(io: Io, handle: int, folder: bytes) -> bool:
    try:
        records = open_below(io, handle, folder + b"/" + RECORDS_FOLDER if folder else RECORDS_FOLDER)
    except FileNotFoundError:
        return False
    try:
        return any(b"_offload_" in name for name, _ in io.list_folder(records))
    finally:
        io.close(records)


def folders_above(folder: bytes) -> Iterator[bytes]:
    """Every folder that a relative path lies in, from the nearest to the top (the empty path)."""
    while folder:
        folder = folder.rpartition(b"/")[0]
        yield folder


def history_above(io: Io, path: bytes) -> bytes | None:
    """The nearest folder above `path` that has a history of the open standard, on the same file system: it may be the
    one that speaks of what lies at `path`. Nothing is read but names; None also where these cannot be read."""
    upper = os.path.realpath(path)
    device: int | None = None
    for _ in range(_HIGHEST):
        try:
            handle = io.open_root(upper)
            try:
                there = io.fstat(handle).device
                if device is not None and there != device:
                    return None
                if device is not None and exists(io, handle, ASCMHL_FOLDER) is not None:
                    return upper
                device = there
            finally:
                io.close(handle)
        except OSError:
            return None
        if upper == os.path.dirname(upper):
            return None
        upper = os.path.dirname(upper)
    return None


def mounted_inside(drives: Drives, path: bytes) -> tuple[bytes, ...]:
    """Folders below `path` in which something else is mounted, relative to it: what lies there is not on this drive.
    OSError when that cannot be told."""
    real = os.path.realpath(path)
    return tuple(os.path.relpath(mount, real) for mount in drives.mounts_below(path))


def not_on_this_drive(path: bytes, mounted: Sequence[bytes]) -> list[Finding]:
    """A warning that names what was not looked at, because it lies on another drive."""
    if not mounted:
        return []
    first = shown(os.path.join(path, mounted[0]))
    more = f" and in {count_of(len(mounted) - 1, 'more folder')}" if len(mounted) > 1 else ""
    detail = f"another drive is mounted in {first}{more}: what lies there is not on this drive, and was not looked at"
    remedy = "name that drive by itself"
    return [warning(Kind.NOT_LOOKED_AT, detail, path=first, drive=shown(path), remedy=remedy, count=len(mounted))]
