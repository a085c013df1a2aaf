"""Which files belong together as one clip.

Grouping only labels files. Whatever it makes of a card, every file that is not ignored is copied; a file belongs to
at most one clip, and files that belong to none (card indexes, reports) are simply in no clip. How a layout groups its
files is data (`layouts/`); where none is recognised the rule is *same folder, same stem*.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from rollproof.card.grouping import SAME_STEM, Grouping
from rollproof.card.layout import Region, Regions
from rollproof.card.regions import find_regions
from rollproof.models.file_table import paths_of
from rollproof.models.names import to_text
from rollproof.models.tree import Clip, Snapshot

_RUNS = re.compile(r"([0-9]+)")


@dataclass(frozen=True, slots=True)
class CardContents:
    """What a card holds: its clips, where which layout was recognised, and what is left over.

    `orphans` are proxies whose original is not there: no clips, and never counted as such. `alone` are files that tell
    of an original that is not there, `untold` the names of clips of which no such file tells although one should.
    `indexes` are the files in which the card lists its own clips. Files by index into the snapshot's.
    """

    clips: list[Clip]
    regions: Regions
    orphans: tuple[int, ...]
    indexes: tuple[int, ...]
    alone: tuple[int, ...] = ()
    untold: tuple[str, ...] = ()


def group_clips(snapshot: Snapshot) -> list[Clip]:
    """The clips of a card, in order of their first file."""
    return read_card(snapshot).clips


def read_card(snapshot: Snapshot, above: Sequence[bytes] = ()) -> CardContents:
    """Clips by the layouts that are recognised, elsewhere by *same folder, same stem*.

    A clip starts with essence (`suffixes.ESSENCE`); a frame sequence (`name.<number>.<ext>`, `name_<number>.<ext>`)
    is one clip. A sidecar joins the clip whose stem it has or extends (`C0001M01.XML`, `name.mov.xml`), or whose file
    it is the `._` twin of, where exactly one clip answers to that. `above` are the names of the folders above the
    snapshot's top, for a look at a part of a card; see `regions.find_regions`.
    """
    by_folder: dict[bytes, list[tuple[bytes, int]]] = {}
    before: bytes | None = None
    here: list[tuple[bytes, int]] = []
    for index, path in enumerate(paths_of(snapshot.files)):
        folder, _, name = path.rpartition(b"/")
        if folder != before:  # the files of a folder mostly come together
            before, here = folder, by_folder.setdefault(folder, [])
        here.append((name, index))
    regions = find_regions(snapshot.folders, by_folder, above)
    groupings: dict[int | bytes, Grouping] = {}
    top_name = above[-1] if above else b""
    for folder, files in by_folder.items():
        region: Region | None = regions.of(folder)
        where: int | bytes = id(region) if region is not None else folder
        grouping = groupings.get(where)
        if grouping is None:
            layout, top = (region.layout, region.top) if region is not None else (SAME_STEM, folder)
            grouping = groupings[where] = Grouping(layout, top, snapshot.files, top_name)
        grouping.add(folder, files)
    clips = [clip for grouping in groupings.values() for clip in grouping.clips()]
    return CardContents(
        sorted(clips, key=lambda clip: clip.files[0]),
        regions,
        tuple(sorted(index for grouping in groupings.values() for index in grouping.orphans)),
        tuple(sorted(index for grouping in groupings.values() for index in grouping.indexes)),
        tuple(sorted(index for grouping in groupings.values() for index in grouping.alone)),
        tuple(sorted(to_text(name) for grouping in groupings.values() for name in grouping.untold)),
    )


@lru_cache(maxsize=8192)
def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """A sort key under which `C2` stands before `C10`, whatever the case."""
    # a huge run of digits is compared as text: turning it into a number would cost quadratic time
    return tuple(
        (0, int(run), "") if run.isascii() and run.isdigit() and len(run) < 20 else (1, 0, run)
        for run in _RUNS.split(name.casefold())
        if run
    )


def first_and_last(clips: Sequence[Clip]) -> tuple[Clip, Clip] | None:
    """The roll's first and last clip by the counters in their names; None without clips."""
    if not clips:
        return None
    ordered = sorted(clips, key=lambda clip: natural_key(clip.name))
    return ordered[0], ordered[-1]
