"""Histories inside a history: finding them below a folder, and referring to their manifests."""

from __future__ import annotations

from collections.abc import Iterable

from rollproof.ascmhl.model import History, Reference
from rollproof.ascmhl.noted import Noted
from rollproof.models.findings import Kind
from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER, shown
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io

_DEPTH_LIMIT = 256


def find_inner(io: Io, top: int, noted: Noted) -> tuple[bytes, ...]:
    """The folders below the open folder `top` that have a history of their own, in byte order; the top itself is
    not among them. No link is followed. Folders that cannot be read, or lie too deep, are findings in `noted`.
    """
    found: list[bytes] = []
    waiting = [b""]
    while waiting:
        path = waiting.pop()
        try:
            handle = open_below(io, top, path)
            try:
                entries = io.list_folder(handle)
            finally:
                io.close(handle)
        except OSError as error:
            detail = f"The folder cannot be read, so histories inside it are not known: {error.strerror or error}."
            noted.add(Kind.UNREADABLE_FOLDER, detail, path=shown(path))
            continue
        if path and (ASCMHL_FOLDER, EntryKind.FOLDER) in entries:
            found.append(path)
        folders = [name for name, kind in entries if kind is EntryKind.FOLDER and name != ASCMHL_FOLDER]
        if not path:
            folders = [name for name in folders if name != RECORDS_FOLDER]
        if folders and path.count(b"/") + 2 > _DEPTH_LIMIT:
            noted.add(Kind.UNREADABLE_FOLDER, f"Folders deeper than {_DEPTH_LIMIT} are not entered.", path=shown(path))
            continue
        waiting += [path + b"/" + name if path else name for name in folders]
    return tuple(sorted(found))


def references_to(inner: Iterable[tuple[bytes, History]]) -> tuple[Reference, ...]:
    """References to every manifest of the inner histories, given by folder (relative to the outer top) and history.

    An outer manifest `references` them so that none can be dropped or changed unnoticed.
    """
    return tuple(
        Reference(b"/".join((folder, ASCMHL_FOLDER, generation.name)), generation.c4)
        for folder, history in inner
        for generation in history.generations
        if generation.c4
    )


def check_references(outer: History, inner: Iterable[tuple[bytes, History]]) -> Noted:
    """Compare what the newest whole outer generation references with what the inner histories hold."""
    noted = Noted()
    newest = outer.newest
    if newest is None:
        return noted
    there = {reference.path: reference.c4 for reference in references_to(inner)}
    for reference in newest.references:
        where = shown(reference.path)
        c4 = there.get(reference.path)
        if c4 is None:
            noted.add(Kind.MANIFEST_MISSING, "The outer history refers to this manifest, and it is gone.", path=where)
        elif c4 != reference.c4:
            detail = "The manifest was changed: it does not match what the outer history says of it."
            noted.add(Kind.MANIFEST_CHANGED, detail, path=where)
    return noted
