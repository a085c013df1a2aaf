"""Histories of the open standard that hold whole rolls: of a day, or of a production."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from dataclasses import replace

from rollproof.ascmhl.model import History, ManifestRead, ManifestState
from rollproof.ascmhl.nested import check_references
from rollproof.ascmhl.read import read_history
from rollproof.copies.nesting import Around
from rollproof.copies.outer_history import LOOK_ELSEWHERE, by_roll
from rollproof.models.findings import Kind
from rollproof.models.names import shown
from rollproof.storage.files import open_below
from rollproof.storage.io import Io
from rollproof.workflows.audit.copy import CopyLook, Place, Told
from rollproof.workflows.audit.topics import topic_of


def around_rolls(io: Io, root: int, place: Place, around: Sequence[Around], copies: Sequence[CopyLook]) -> list[Told]:
    """Whether each such history is whole, and every roll that it knows is there with the manifests that it knows.

    `copies` are the rolls that were found on the same drive. OSError when the drive fails.
    """
    told: list[Told] = []
    for each in around:
        handle = open_below(io, root, each.folder)
        try:
            history = read_history(io, handle)
        finally:
            with contextlib.suppress(OSError):
                io.close(handle)
        inner = _inner(each.folder, copies) + _deeper(io, root, each, copies)
        # (where it has files of its own, its own look tells of its manifests)
        found = [] if each.has_files else list(history.findings)
        found += by_roll(check_references(history, inner).all(), history, each.inner)
        drive = shown(os.path.join(place.path, each.folder))
        told += [
            Told(
                "completeness" if odd.kind is Kind.MISSING else topic_of(odd.kind),
                replace(odd, drive=drive, remedy=odd.remedy or LOOK_ELSEWHERE),
            )
            for odd in found
        ]
    return told


def _deeper(io: Io, root: int, each: Around, copies: Sequence[CopyLook]) -> list[tuple[bytes, History]]:
    """Histories in it that are no roll of their own: inside a roll, or around rolls as well."""
    start = each.folder + b"/" if each.folder else b""
    known = {copy.folder for copy in copies}
    out = []
    for folder in each.inner:
        if start + folder not in known:
            handle = open_below(io, root, start + folder)
            try:
                out.append((folder, read_history(io, handle)))
            finally:
                with contextlib.suppress(OSError):
                    io.close(handle)
    return out


def _inner(folder: bytes, copies: Sequence[CopyLook]) -> list[tuple[bytes, History]]:
    start = folder + b"/" if folder else b""
    return [
        (
            copy.folder[len(start) :],
            History(tuple(ManifestRead(name, None, ManifestState.WHOLE, c4) for name, c4 in copy.manifests)),
        )
        for copy in copies
        if copy.folder.startswith(start)
    ]
