"""Histories of the open standard that hold whole rolls: of a day, or of a production."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from dataclasses import replace

from rollproof.ascmhl.model import History, ManifestRead, ManifestState
from rollproof.ascmhl.nested import check_references
from rollproof.ascmhl.read import read_history
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.storage.files import exists, open_below
from rollproof.storage.io import Io
from rollproof.workflows.audit_copy import CopyLook, Place, Told
from rollproof.workflows.audit_look import topic_of


def around_rolls(io: Io, root: int, place: Place, folders: Sequence[bytes], copies: Sequence[CopyLook]) -> list[Told]:
    """Whether each such history is whole, refers to the rolls' manifests as they are, and its own files are there.

    `copies` are the rolls that were found on the same drive. OSError when the drive fails.
    """
    told: list[Told] = []
    for folder in folders:
        handle = open_below(io, root, folder)
        try:
            history = read_history(io, handle)
            found = [*history.findings, *check_references(history, _inner(folder, copies)).all()]
            for path in sorted(history.expected):
                found += _gone(io, handle, path)
        finally:
            with contextlib.suppress(OSError):
                io.close(handle)
        drive = shown(os.path.join(place.path, folder))
        told += [
            Told(topic_of(each.kind), replace(each, drive=drive, remedy=each.remedy or "compare with another drive"))
            for each in found
        ]
    return told


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


def _gone(io: Io, handle: int, path: bytes) -> list[Finding]:
    above, _, name = path.rpartition(b"/")
    try:
        folder = open_below(io, handle, above)
    except FileNotFoundError:
        folder = -1
    try:
        if folder >= 0 and exists(io, folder, name) is not None:
            return []
    finally:
        if folder >= 0:
            io.close(folder)
    detail = f"{shown(path)} is recorded and not there"
    return [Finding(Kind.MISSING, Severity.ERROR, shown(path), detail, remedy="look whether somebody moved it")]
