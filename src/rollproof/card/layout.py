"""What a layout is: facts about folders and names, from which `grouping` makes clips.

A layout is a description and holds no code: adding one is adding one file in `layouts/`. Patterns are regular
expressions over whole folder names or whole stems, case does not matter. A wrong layout may label files wrongly; it
never loses one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

TOP = ""
"""The layout's own folder, in `originals`, `proxies` and `companions`."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How one kind of camera or recorder lays out its card.

    A region begins at a folder whose last names match `folder` (one pattern per name, the last one for the folder
    itself), that holds all sub-folders `beneath`, and, where `holds` is given, a file of such a name or one of the
    sub-folders `set_aside`. An empty `folder` fits any folder that no other layout has claimed. Everything below
    belongs to the region, until another region begins.
    """

    id: str
    """Stable, in JSON and records."""
    words: str
    """What betrays it, for people; no maker, only folders and suffixes."""
    folder: tuple[str, ...] = ()
    beneath: tuple[str, ...] = ()
    holds: str = ""

    originals: tuple[str, ...] = (TOP,)
    """Sub-folders (relative, `/`-separated patterns) whose camera originals are of one set: the same clip name in two
    of them is one clip. Originals anywhere else are clips of their own folder."""
    proxies: tuple[str, ...] = ()
    """Sub-folders whose media only stand for an original: sidecars of the clip of that name, never clips."""
    companions: tuple[str, ...] = ()
    """Sub-folders of thumbnails, voice notes, metadata: never clips."""
    told_in: tuple[str, ...] = ()
    """Sub-folders in which the camera writes a small XML or index file for every clip: one that is there alone tells
    of an original that is not."""
    told_all: bool = False
    """Whether no clip is whole without such a file: the camera writes it when it closes the clip."""
    tracks_named: bool = False
    """Whether such a file is XML with an `EssenceList` of the clip's `Video` and `Audio` files."""
    clip_folder: str = ""
    """A folder of such a name (the layout's own, or one below) is one clip with everything in it, and gives it its
    name."""
    clip_suffix: tuple[str, ...] = ()
    """Suffixes of clip folders that are no part of the clip's name."""

    stems: tuple[str, ...] = ()
    """How a stem is made, first match decides. Groups: `clip` (the name all files of the clip share; with a second
    group `number` both together), `part` (the place in a spanned clip), `track` (one file per track)."""
    starters: frozenset[str] = frozenset()
    """Suffixes beside the usual ones that can start a clip here, when no other file does."""
    frames: bool = True
    """Whether `name.0001.dng` is a frame. Where photographs are taken it is not."""
    set_aside: tuple[str, ...] = ()
    """Sub-folders of clips that the crew or the camera marked as not wanted: clips all the same."""
    indexes: tuple[str, ...] = ()
    """File names of the card's own index."""
    counter_from_one: bool = False
    """Whether the clip counter starts at 1 on every card, so that a missing beginning is a gap too."""


@dataclass(frozen=True, slots=True)
class Region:
    """A place on a card where a layout was recognised. `top` is relative; empty for the card itself."""

    layout: Layout
    top: bytes


@dataclass(slots=True)
class Regions:
    """All regions of a card by folder."""

    by_folder: dict[bytes, Region] = field(default_factory=dict)

    def of(self, folder: bytes) -> Region | None:
        """The region a folder lies in, None where no layout was recognised."""
        return self.by_folder.get(folder)

    def found(self) -> Sequence[Region]:
        """Each region once, in the order of their folders."""
        return list({id(region): region for region in self.by_folder.values()}.values())
