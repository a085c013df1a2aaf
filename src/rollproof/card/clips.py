"""Which files belong together as one clip.

Grouping only labels files. Whatever it makes of a card, every file that is not ignored is copied; a file belongs to
at most one clip, and files that belong to none (card indexes, reports) are simply in no clip.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from itertools import groupby

from rollproof.card.suffixes import FRAMES, is_essence, split_name
from rollproof.models.names import to_text
from rollproof.models.tree import Clip, Snapshot

Grouping = Callable[[Snapshot], list[Clip]]
"""What groups a card. `group_clips` is the one that fits any card; a layout may bring its own."""

_FRAME = re.compile(rb"(?P<name>.*?)(?P<gap>[._]?)(?P<number>[0-9]+)", re.DOTALL)
_RUNS = re.compile(r"([0-9]+)")


def group_clips(snapshot: Snapshot) -> list[Clip]:
    """Clips by *same folder, same stem*, in byte order of their first file.

    A clip starts with essence (`suffixes.ESSENCE`); a frame sequence (`name.<number>.<ext>`, `name_<number>.<ext>`)
    is one clip. A sidecar joins the clip whose stem it has or extends (`C0001M01.XML`, `name.mov.xml`), or whose file
    it is the `._` twin of, where exactly one clip answers to that. Indexes are into `snapshot.files`.
    """
    numbered = sorted(
        ((*_folder_and_name(entry.path), index) for index, entry in enumerate(snapshot.files)),
        key=lambda item: item[0],
    )
    members: list[tuple[str, list[int]]] = []
    for folder, items in groupby(numbered, key=lambda item: item[0]):
        members.extend(_Folder(folder, [(name, index) for _, name, index in items]).grouped())
    clips = [
        Clip(name, tuple(sorted(indexes)), sum(snapshot.files[index].size for index in indexes))
        for name, indexes in members
    ]
    return sorted(clips, key=lambda clip: clip.files[0])


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


def _folder_and_name(path: bytes) -> tuple[bytes, bytes]:
    folder, _, name = path.rpartition(b"/")
    return folder, name


class _Folder:
    """One folder's files, on their way into clips."""

    def __init__(self, folder: bytes, files: Iterable[tuple[bytes, int]]) -> None:
        self.folder = folder
        self.files = list(files)
        self.clips: dict[tuple[bytes, bytes], list[int]] = {}
        """Key: stem and nothing, or a sequence's name and its suffix."""
        self.by_stem: dict[bytes, set[tuple[bytes, bytes]]] = {}
        """Lower-case stem to the clips that answer to it."""
        self.by_name: dict[bytes, tuple[bytes, bytes]] = {}
        """Whole file name to the clip it is in."""

    def grouped(self) -> list[tuple[str, list[int]]]:
        """Clip names and the indexes of their files."""
        sidecars: list[tuple[bytes, int]] = []
        for name, index in self.files:
            if is_essence(name):
                key = self._essence_key(name)
                self._add(key, name, index)
                self.by_stem.setdefault(key[0].lower(), set()).add(key)
                self.by_stem.setdefault(split_name(name)[0].lower(), set()).add(key)
            else:
                sidecars.append((name, index))
        if not self.clips:
            return []
        twins: list[tuple[bytes, int]] = []
        for name, index in sidecars:
            if name.startswith(b"._"):
                twins.append((name, index))
                continue
            found = self._clip_of(name)
            if found is not None:
                self._add(found, name, index)
        for name, index in twins:
            beside = self.by_name.get(name[2:])
            if beside is not None:
                self._add(beside, name, index)
        return [(to_text(stem), indexes) for (stem, _), indexes in self.clips.items()]

    def _essence_key(self, name: bytes) -> tuple[bytes, bytes]:
        stem, suffix = split_name(name)
        if suffix in FRAMES:
            frame = _FRAME.fullmatch(stem)
            if frame is not None and (frame["gap"] or not frame["name"]):
                # frames without a name of their own are named by the folder that holds them
                return frame["name"] or self.folder.rpartition(b"/")[2] or stem, suffix
        return stem, b""

    def _add(self, key: tuple[bytes, bytes], name: bytes, index: int) -> None:
        self.clips.setdefault(key, []).append(index)
        self.by_name[name] = key

    def _clip_of(self, name: bytes) -> tuple[bytes, bytes] | None:
        """The one clip a sidecar belongs to, or None."""
        stem, _ = split_name(name)
        if (stem, b"") in self.clips:
            return stem, b""
        whole = self._named_after_a_file(name)
        if whole is not None:
            return whole
        lower = stem.lower()
        for end in _ends(lower):
            answering = self.by_stem.get(lower[:end])
            if answering is not None:
                # the longest stem decides; when several clips answer to it, nobody knows whose sidecar it is
                return next(iter(answering)) if len(answering) == 1 else None
        return None

    def _named_after_a_file(self, name: bytes) -> tuple[bytes, bytes] | None:
        """`name.mov.xml` belongs to `name.mov`."""
        end = name.rfind(b".")
        while end > 0:
            found = self.by_name.get(name[:end])
            if found is not None and is_essence(name[:end]):
                return found
            end = name.rfind(b".", 0, end)
        return None


def _ends(stem: bytes) -> Iterable[int]:
    """Where a shorter stem may end inside a longer one, longest first: only where the kind of letter changes, so that
    `C1` is no beginning of `C10M01`, nor `bell` of `bellows`."""
    yield len(stem)
    for end in range(len(stem) - 1, 0, -1):
        if _sort_of(stem[end - 1]) != _sort_of(stem[end]):
            yield end


def _sort_of(byte: int) -> int:
    if 0x30 <= byte <= 0x39:
        return 0
    if 0x41 <= byte <= 0x5A or 0x61 <= byte <= 0x7A or byte >= 0x80:
        return 1
    return 2
