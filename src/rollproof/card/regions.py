"""Where on a card which layout was recognised."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache

from rollproof.card.layout import Layout, Region, Regions
from rollproof.card.layouts import all_layouts

FoldersFiles = Mapping[bytes, Sequence[tuple[bytes, int]]]
"""The files of every folder that has some: (name, index in the snapshot)."""


def find_regions(folders: Iterable[bytes], files: FoldersFiles, above: Sequence[bytes] = ()) -> Regions:
    """The region every folder lies in, the card's own top (empty path) among them.

    `above` are the names of the folders above the top, outermost first: a layout may begin at the top itself or be
    told by what lies above it.
    """
    found = Regions()
    beneath: dict[bytes, set[bytes]] = {}
    ordered = sorted({b"", *folders, *files})
    for folder in ordered[1:]:
        parent, _, name = folder.rpartition(b"/")
        beneath.setdefault(parent, set()).add(name.upper())
    recognise = _Recogniser(above)
    for folder in ordered:
        inherited = found.by_folder.get(folder.rpartition(b"/")[0]) if folder else None
        region = recognise(folder, beneath.get(folder, frozenset()), files.get(folder, ()), inherited)
        if region is not None:
            found.by_folder[folder] = region
    return found


class _Recogniser:
    def __init__(self, above: Sequence[bytes]) -> None:
        self._above = [name for name in above if name]
        self._named: dict[bytes, list[Compiled]] = {}
        """By a folder's own name the layouts that it may begin: names repeat (and there are many folders)."""
        every = [compiled(layout) for layout in all_layouts()]
        self._with_folder = [each for each in every if each.folder]
        self._anywhere = [each for each in every if not each.folder]

    def __call__(
        self,
        folder: bytes,
        beneath: frozenset[bytes] | set[bytes],
        files: Sequence[tuple[bytes, int]],
        inherited: Region | None,
    ) -> Region | None:
        candidates = self._candidates(folder.rpartition(b"/")[2] or (self._above[-1] if self._above else b""))
        if candidates:
            names = [*self._above, *folder.split(b"/")] if folder else self._above
            for each in candidates:
                if each.begins_at(names) and each.is_here(beneath, files):
                    return Region(each.layout, folder)
        if inherited is None or not inherited.layout.folder:
            for each in self._anywhere:
                if each.is_here(beneath, files) and not (inherited is not None and each.goes_on(folder, inherited)):
                    return Region(each.layout, folder)
        return inherited

    def _candidates(self, name: bytes) -> list[Compiled]:
        found = self._named.get(name)
        if found is None:
            found = self._named[name] = [each for each in self._with_folder if each.folder[-1].fullmatch(name)]
        return found


class Compiled:
    """A layout with its patterns ready."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.folder = [pattern(text) for text in layout.folder]
        self.stems = [pattern(text) for text in layout.stems]
        self.originals = [pattern(text) for text in layout.originals]
        self.proxies = [pattern(text) for text in layout.proxies]
        self.companions = [pattern(text) for text in layout.companions]
        self.told_in = frozenset(name.upper().encode() for name in layout.told_in)
        self.clip_folder = pattern(layout.clip_folder) if layout.clip_folder else None
        self.starters = frozenset(text.encode() for text in layout.starters)
        self.index_names = frozenset(name.upper().encode() for name in layout.indexes)
        self.set_aside = frozenset(name.upper().encode() for name in layout.set_aside)
        self._beneath = {name.upper().encode() for name in layout.beneath}
        self._holds = pattern(layout.holds) if layout.holds else None

    def begins_at(self, names: Sequence[bytes]) -> bool:
        """Whether the folder's last names are the layout's."""
        if len(names) < len(self.folder):
            return False
        return all(each.fullmatch(name) for each, name in zip(reversed(self.folder), reversed(names), strict=False))

    def is_here(self, beneath: frozenset[bytes] | set[bytes], files: Sequence[tuple[bytes, int]]) -> bool:
        """Whether the folder holds what it should."""
        if not self._beneath <= beneath:
            return False
        if self._holds is None:
            return True
        return not self.set_aside.isdisjoint(beneath) or any(self._holds.fullmatch(name) for name, _ in files)

    def goes_on(self, folder: bytes, inherited: Region) -> bool:
        """Whether a folder is a part of the region above rather than the beginning of another of the same kind."""
        below = folder[len(inherited.top) :].lstrip(b"/").upper()
        return inherited.layout is self.layout and below in self.set_aside


@cache
def compiled(layout: Layout) -> Compiled:
    """A layout with its patterns ready, made once."""
    return Compiled(layout)


def pattern(text: str) -> re.Pattern[bytes]:
    """A layout's pattern, over bytes, whatever the case."""
    return re.compile(text.encode(), re.IGNORECASE | re.DOTALL)
