"""Carrying a roll's histories along: every record, signature and manifest, byte for byte, before anything is appended.

Where the new copy has a history of its own already (it was offloaded from the card, or copied before and gone on with),
that one goes on, and nothing is mixed into it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from rollproof.ascmhl.folder import C4Sum
from rollproof.ascmhl.model import History, ManifestState
from rollproof.ascmhl.standard import CHAIN_NAME, MANIFEST_LIMIT_BYTES
from rollproof.models.errors import UntrustedInput
from rollproof.models.names import ASCMHL_FOLDER, PARTIAL_SUFFIX, RECORDS_FOLDER, shown
from rollproof.records.chain import Chain
from rollproof.records.lines import MAX_RECORD_BYTES
from rollproof.storage.files import exists, open_below, read_chunks, write_new
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.medium import MediumAccess
from rollproof.tree.ignore import LITTER

_LITTER = frozenset(name.encode() for name in LITTER)
_LIMIT_BYTES = max(MAX_RECORD_BYTES, MANIFEST_LIMIT_BYTES)


def carry_papers(
    io: Io,
    source: int,
    copy: int,
    *,
    chain: Chain | None,
    history: History,
    medium: MediumAccess | None = None,
) -> None:
    """Copy both histories from the open roll folder `source` into the open roll folder `copy`, flushed.

    `chain` and `history` are as they were read before the copying began: a paper that reads otherwise now is not
    passed on. `chain` None leaves records alone (of a folder that is no roll they are somebody else's). `medium` says
    how the new volume is read: what is carried is read back from it. To be called under both rolls' locks. Raises
    UntrustedInput for a paper that changed, OSError when a drive fails.
    """
    if chain is not None:
        digests = {link.name.encode("ascii"): link.sha256 for link in chain.links}
        known = {name: ("sha256", text) for name, text in digests.items() if text}
        _carry(io, source, copy, RECORDS_FOLDER, known, medium)
    whole = [generation for generation in history.generations if generation.state is ManifestState.WHOLE]
    c4s = {generation.name: ("c4", generation.c4) for generation in whole}
    _carry(io, source, copy, ASCMHL_FOLDER, c4s, medium)


def _carry(
    io: Io,
    source: int,
    copy: int,
    folder: bytes,
    known: dict[bytes, tuple[str, str]],
    medium: MediumAccess | None,
) -> None:
    if exists(io, source, folder) is not EntryKind.FOLDER:
        return
    theirs = io.open_folder(folder, source)
    try:
        names = _papers(io, theirs)
        if not names:
            return
        ours = open_below(io, copy, folder, create=True)
        try:
            io.flush(copy)
            there = set(_papers(io, ours))
            if not there <= set(names) or any(not _same(io, theirs, ours, name) for name in there):
                return  # a history of its own
            for name in names:
                if name not in there:
                    _one(io, theirs, ours, name, known.get(name), medium)
        finally:
            io.close(ours)
    finally:
        io.close(theirs)


def _papers(io: Io, folder: int) -> list[bytes]:
    """What is to be carried, in the order in which a crash on the way leaves the least behind: a chain after all that
    it names."""
    names = [
        name
        for name, kind in io.list_folder(folder)
        if kind is EntryKind.FILE
        and not name.endswith(PARTIAL_SUFFIX)
        and not name.startswith(b"._")
        and name not in _LITTER
    ]
    return sorted(names, key=lambda name: (name == CHAIN_NAME, name))


def _same(io: Io, theirs: int, ours: int, name: bytes) -> bool:
    return _digest(io, theirs, name) == _digest(io, ours, name)


def _digest(io: Io, folder: int, name: bytes) -> str:
    digest = hashlib.sha256()
    for chunk in read_chunks(io, folder, name, limit=_LIMIT_BYTES):
        digest.update(chunk)
    return digest.hexdigest()


def _one(
    io: Io, theirs: int, ours: int, name: bytes, known: tuple[str, str] | None, medium: MediumAccess | None
) -> None:
    c4 = C4Sum()

    def checked() -> Iterator[bytes]:
        sha256 = hashlib.sha256()
        for chunk in c4.over(read_chunks(io, theirs, name, limit=_LIMIT_BYTES)):
            sha256.update(chunk)
            yield chunk
        if known is not None and known[1] != (c4.text if known[0] == "c4" else sha256.hexdigest()):
            raise UntrustedInput(f"{shown(name)} is not what it was when the copying began")

    write_new(io, ours, name, checked(), medium=medium)
