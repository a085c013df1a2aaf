"""A clip in the making: its files so far, in playing order, and what kind of clip they make."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache

from rollproof.tree.suffixes import FRAMES, PICTURES, RAW_STILLS

Key = tuple[bytes, bytes, bytes]
"""Scope (a folder below the region's top, empty for the layout's own set), clip name, suffix of a frame sequence."""

STILLS = RAW_STILLS | PICTURES
OWN_NAME = b"\0"
"""The name part of a key whose clip is a whole folder: no file can be called so."""
_NO_SUFFIX: frozenset[bytes] = frozenset()


@dataclass(slots=True)
class Draft:
    """A clip in the making, small: a card of photographs has one for each."""

    name: bytes
    originals: list[int] = field(default_factory=list)
    sidecars: list[int] | None = None
    places: dict[int, int] | None = None
    """Place in playing order by index, where it is another than 0."""
    suffixes: frozenset[bytes] = _NO_SUFFIX
    tracks: bool = False
    parts: bool = False
    """Whether the places are numbers of parts."""
    named_by_first: bool = False
    set_aside: bool = False

    def original(self, index: int, suffix: bytes, place: int = 0) -> None:
        """One more file of pictures or sound."""
        self.originals.append(index)
        if suffix not in self.suffixes:
            self.suffixes = _with_suffix(self.suffixes, suffix)
        if place:
            self.places = self.places or {}
            self.places[index] = place

    def sidecar(self, index: int) -> None:
        """One more file that only belongs to them."""
        if self.sidecars is None:
            self.sidecars = []
        self.sidecars.append(index)

    def files(self) -> Iterator[int]:
        """All of its files."""
        yield from self.originals
        yield from self.sidecars or ()

    def ordered(self) -> list[tuple[int, int]]:
        """(place, index) of its originals, in playing order."""
        places = self.places or {}
        return sorted((places.get(index, 0), index) for index in self.originals)


@cache
def _with_suffix(suffixes: frozenset[bytes], suffix: bytes) -> frozenset[bytes]:
    """One set for all clips that have these suffixes: there are few."""
    return suffixes | {suffix}


def kind_of(key: Key, draft: Draft, parts: tuple[int, ...]) -> str:
    """What kind of clip a draft has become."""
    if key[2] or (key[1] == OWN_NAME and len(draft.originals) > 1 and draft.suffixes <= FRAMES):
        return "frames"
    if len(parts) > 1 or max(parts, default=0) > 1:
        return "spanned"
    if draft.suffixes and draft.suffixes <= STILLS:
        return "still"
    return "tracks" if draft.tracks and len(draft.originals) > 1 else "clip"
