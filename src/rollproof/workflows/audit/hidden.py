"""Footage in folders that every walk leaves out: in a system's trash, or under a pattern of somebody's history."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from rollproof.models.findings import Finding, Kind, warning
from rollproof.models.grouped import other_names
from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER, shown
from rollproof.models.requests import Cancel
from rollproof.storage.io import EntryKind, Io
from rollproof.tree.ignore import LITTER
from rollproof.tree.litter import MOST_LITTER, walk_litter
from rollproof.tree.suffixes import is_media

_OURS = (ASCMHL_FOLDER, RECORDS_FOLDER)
_LITTER = frozenset(name.encode() for name in LITTER)


def hidden_footage(io: Io, root: int, left_out: Iterable[bytes], drive: str, cancel: Cancel) -> list[Finding]:
    """A warning where picture or sound lies at or below paths, relative to an open folder, that a walk left out.

    Only names are looked at: a system keeps large files of its own there.
    """
    budget = [MOST_LITTER]
    found: dict[bool, list[bytes]] = {True: [], False: []}
    for path in left_out:
        if path in _OURS:
            continue
        for inner, _, kind in walk_litter(io, root, path, budget, cancel):
            if kind is EntryKind.FILE and is_media(inner.rpartition(b"/")[2]):
                found[not _LITTER.isdisjoint(inner.split(b"/"))].append(inner)
    return [_hidden(sorted(paths), drive, litter=litter) for litter, paths in found.items() if paths]


def _hidden(paths: list[bytes], drive: str, *, litter: bool) -> Finding:
    first, one = shown(paths[0]), len(paths) == 1
    where = "among an operating system's own files" if litter else "under an ignore pattern of its history"
    more = "" if one else f" and {len(paths) - 1:,} more"
    found = warning(
        Kind.HIDDEN_MEDIA,
        f"{first}{more} {'lies' if one else 'lie'} {where}, and {'is' if one else 'are'} in no record",
        path=first,
        drive=drive,
        remedy="look at it: somebody may have put footage in the trash, or it was hidden by a pattern that is too wide",
        count=len(paths),
    )
    return replace(found, others=other_names(paths))
