"""Makes clips of the files of one region: of a recognised layout, or of any folder by *same stem*.

Grouping only labels files. A file is in one clip at most; essence is always in one, but for proxies whose original is
not there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rollproof.card.draft import OWN_NAME, STILLS, Draft, Key, kind_of
from rollproof.card.layout import Layout
from rollproof.card.regions import compiled
from rollproof.card.stems import ends
from rollproof.models.file_table import size_of
from rollproof.models.names import to_text
from rollproof.models.tree import Clip, FileEntry
from rollproof.tree.suffixes import ESSENCE, FRAMES, MEDIA

SAME_STEM = Layout(id="", words="")
"""The rule for a folder in which no layout was recognised."""

_FRAME = re.compile(rb"(?P<name>.*?)(?P<gap>[._]?)(?P<number>[0-9]+)", re.DOTALL)

_TELLING = frozenset((b"xml", b"cpi"))
"""Suffixes of the files with which a camera tells of a clip, in a layout's `told_in`."""


@dataclass(frozen=True, slots=True)
class _Place:
    """What a folder below the region's top is for."""

    scope: bytes
    folder: bytes
    """Its name: nameless frames are called after it."""
    clip: bytes | None = None
    """Path of the clip folder it lies in."""
    clip_name: bytes = b""
    is_proxy: bool = False
    is_companion: bool = False
    is_told_in: bool = False
    set_aside: bool = False


@dataclass(frozen=True, slots=True)
class _Made:
    """What a stem says: the clip, and the file's place in it."""

    key: Key
    order: int = 0
    is_part: bool = False
    is_track: bool = False
    named_by_first: bool = False
    """Whether the clip is called after its first file."""


class Grouping:
    """One region on its way into clips: `add` every folder, then `clips`."""

    def __init__(self, layout: Layout, top: bytes, files: Sequence[FileEntry], top_name: bytes = b"") -> None:
        self.layout = layout
        self.top = top
        self.orphans: list[int] = []
        """Proxies without an original, after `clips`."""
        self.alone: list[int] = []
        """Files that tell of an original that is not there, after `clips`."""
        self.untold: list[bytes] = []
        """Names of clips of which no such file tells, where the layout demands one, after `clips`."""
        self.indexes: list[int] = []
        """The card's own indexes."""
        self._files = files
        self._top_name = top.rpartition(b"/")[2] or top_name
        self._drafts: dict[Key, Draft] = {}
        self._weak: list[tuple[_Place, bytes, bytes, int]] = []
        self._sidecars: list[tuple[_Place, bytes, bytes, int]] = []
        self._twins: list[tuple[bytes, int]] = []
        self._rules = compiled(layout)
        self._like_last: tuple[bytes, int, bytes, Draft] | None = None
        """What the frame before was like: name with gap, length, suffix, clip."""
        self._by_stem: dict[bytes, list[Key]] = {}
        """Lower-case stem to the clips that answer to it; made when there is a sidecar to place."""
        self._told: set[Key] = set()
        self._by_path: dict[bytes, Key] = {}
        """Path to the clip a file is in; made when there is a file named after another."""

    # --- every folder

    def add(self, folder: bytes, files: Iterable[tuple[bytes, int]]) -> None:
        """The files (name, index) of one folder of this region."""
        place = self._place(folder)
        self._like_last = None
        plain = not (place.is_proxy or place.is_companion)
        for name, index in files:
            if name.startswith(b"._"):
                self._twins.append((name, index))
                continue
            stem, dot, suffix = name.rpartition(b".")
            if not dot or not stem:
                stem, suffix = name, b""
            suffix = suffix.lower()
            if place.clip is not None:
                self._in_clip_folder(place, stem, suffix, index)
            elif suffix in ESSENCE and plain:
                self._original(place, stem, suffix, index)
            elif self._rules.index_names and name.upper() in self._rules.index_names:
                self.indexes.append(index)
            elif suffix in self._rules.starters and plain:
                self._weak.append((place, stem, suffix, index))
            else:
                self._sidecars.append((place, stem, suffix, index))

    def _place(self, folder: bytes) -> _Place:
        if self.layout is SAME_STEM:
            return _Place(b"", folder.rpartition(b"/")[2] or self._top_name)
        below = folder[len(self.top) :].lstrip(b"/")
        name = below.rpartition(b"/")[2] or self._top_name
        inside = self._clip_folder_of(below)
        if inside is not None:
            return _Place(inside[0], name, clip=inside[0], clip_name=inside[1])
        if any(each.fullmatch(below) for each in self._rules.proxies):
            return _Place(b"", name, is_proxy=True)
        told = below.upper() in self._rules.told_in
        if any(each.fullmatch(below) for each in self._rules.companions):
            return _Place(b"", name, is_companion=True, is_told_in=told)
        if any(each.fullmatch(below) for each in self._rules.originals):
            return _Place(b"", name, is_told_in=told)
        return _Place(below, name, set_aside=below.split(b"/")[0].upper() in self._rules.set_aside)

    def _clip_folder_of(self, below: bytes) -> tuple[bytes, bytes] | None:
        """Path and clip name of the innermost clip folder on the way to a folder."""
        if self._rules.clip_folder is None:
            return None
        parts = [self._top_name, *below.split(b"/")] if below else [self._top_name]
        for depth in range(len(parts), 0, -1):
            name = parts[depth - 1]
            if self._rules.clip_folder.fullmatch(name):
                for suffix in self.layout.clip_suffix:
                    if name.upper().endswith(suffix.upper().encode()):
                        name = name[: -len(suffix)]
                        break
                return b"/".join(parts[1:depth]), name
        return None

    # --- every file

    def _in_clip_folder(self, place: _Place, stem: bytes, suffix: bytes, index: int) -> None:
        key = (place.scope, OWN_NAME, b"")
        draft = self._drafts.get(key)
        if draft is None:
            draft = self._drafts[key] = Draft(place.clip_name)
        if suffix in ESSENCE:
            made = self._made_of(place, stem, b"")
            draft.parts |= made.is_part
            draft.original(index, suffix, made.order)
        else:
            draft.sidecar(index)

    def _original(self, place: _Place, stem: bytes, suffix: bytes, index: int) -> None:
        like = self._like_last
        if (
            like is not None
            and suffix == like[2]
            and len(stem) == like[1]
            and stem.startswith(like[0])
            and stem[len(like[0]) :].isdigit()
        ):  # the next frame, told without taking its name apart
            like[3].originals.append(index)
            return
        made = self._made_of(place, stem, suffix)
        key = made.key
        draft = self._drafts.get(key)
        if draft is None:
            draft = self._drafts[key] = Draft(key[1], named_by_first=made.named_by_first, set_aside=place.set_aside)
        draft.tracks |= made.is_track
        draft.parts |= made.is_part
        draft.original(index, suffix, made.order)
        if key[2]:
            digits = len(stem) - len(stem.rstrip(b"0123456789"))
            self._like_last = (stem[: len(stem) - digits], len(stem), suffix, draft)

    def _learn_stems(self) -> None:
        """What every clip answers to: its name and the stems of its originals."""
        for key, draft in self._drafts.items():
            if key[1] == OWN_NAME:
                continue
            self._answers(key[1], key)
            for index in draft.originals:
                name = self._files[index].path.rpartition(b"/")[2]
                stem = name.rpartition(b".")[0] or name
                if stem != key[1]:
                    self._answers(stem, key)

    def _learn_paths(self) -> None:
        for key, draft in self._drafts.items():
            for index in draft.files():
                self._by_path[self._files[index].path] = key

    def _answers(self, stem: bytes, key: Key) -> None:
        lower = stem.lower()
        known = self._by_stem.get(lower)
        if known is None:
            self._by_stem[lower] = [key]
        elif key not in known:
            known.append(key)

    def _made_of(self, place: _Place, stem: bytes, suffix: bytes) -> _Made:
        for each in self._rules.stems:
            found = each.fullmatch(stem)
            if found is None:
                continue
            named = found.groupdict()
            key = (place.scope, found["clip"] + named.get("number", b""), b"")
            if "part" in named:
                return _Made(key, int(found["part"]), is_part=True, named_by_first="number" in named)
            if named.get("track") is not None:
                return _Made(key, int(found["track"]) + 1, is_track=True)
            return _Made(key)
        if suffix in FRAMES and self.layout.frames:
            frame = _FRAME.fullmatch(stem)
            if frame is not None and (frame["gap"] or not frame["name"]):
                # frames without a name of their own are named by the folder that holds them
                return _Made((place.scope, frame["name"] or place.folder or stem, suffix))
        return _Made((place.scope, stem, b""))

    # --- the clips

    def clips(self) -> list[Clip]:
        """All clips of the region. To be called once, when every folder was added."""
        for place, stem, suffix, index in self._weak:
            draft = self._drafts.get(self._made_of(place, stem, suffix).key)
            if draft is None or not draft.suffixes - STILLS:
                self._original(place, stem, suffix, index)
            else:
                draft.sidecar(index)
        if self._sidecars:
            self._learn_stems()
            if any(b"." in stem for _, stem, _, _ in self._sidecars):
                self._learn_paths()
            for place, stem, suffix, index in self._sidecars:
                self._sidecar(place, stem, suffix, index)
        if self._twins:
            self._learn_paths()
            for name, index in self._twins:
                path = self._files[index].path
                beside = self._by_path.get(path[: -len(name)] + name[2:])
                if beside is not None:
                    self._drafts[beside].sidecar(index)
        if self.layout.told_all and (self._told or self.alone):
            self.untold = [draft.name for key, draft in self._drafts.items() if key not in self._told and not key[0]]
        self._by_stem.clear()
        self._by_path.clear()
        # each is let go as its clip is made: of very many there is no room for both
        return [self._clip(key, self._drafts.pop(key)) for key in [*self._drafts]]

    def _sidecar(self, place: _Place, stem: bytes, suffix: bytes, index: int) -> None:
        key = self._clip_of(place, stem, index) if self._drafts else None
        if key is not None:
            self._drafts[key].sidecar(index)
            if place.is_told_in and suffix in _TELLING:
                self._told.add(key)
        elif place.is_told_in and suffix in _TELLING:
            self.alone.append(index)
        elif place.is_proxy and suffix in MEDIA:
            self.orphans.append(index)
        elif place.is_companion and suffix in ESSENCE:
            # footage in a place for other things is footage all the same
            self._original(_Place(place.folder, place.folder), stem, suffix, index)

    def _clip_of(self, place: _Place, stem: bytes, index: int) -> Key | None:
        """The one clip a sidecar belongs to, or None."""
        key = (place.scope, stem, b"")
        if key in self._drafts:
            return key
        if self._rules.stems:
            key = self._made_of(place, stem, b"").key
            if key in self._drafts:
                return key
        whole = self._named_after_a_file(index)
        if whole is not None:
            return whole
        lower = stem.lower()
        for end in ends(lower):
            answering = self._by_stem.get(lower[:end])
            if answering is not None:
                # the longest stem decides; when several clips answer to it, nobody knows whose sidecar it is
                near = [each for each in answering if each[0] == place.scope] or answering
                return near[0] if len(near) == 1 else None
        return None

    def _named_after_a_file(self, index: int) -> Key | None:
        """`name.mov.xml` belongs to `name.mov`."""
        path = self._files[index].path
        start = path.rfind(b"/") + 1
        end = path.rfind(b".")
        while end > start:
            found = self._by_path.get(path[:end])
            if found is not None and path[path.rfind(b".", 0, end) + 1 : end].lower() in ESSENCE:
                return found
            end = path.rfind(b".", 0, end)
        return None

    def _clip(self, key: Key, draft: Draft) -> Clip:
        files = tuple(sorted(draft.files()))
        ordered = draft.ordered()
        essence = tuple(index for _, index in ordered)
        if essence == files:
            essence = files  # 40,000 frames need no second list
        parts = tuple(part for part, _ in ordered) if draft.parts else ()
        name = draft.name
        if draft.named_by_first and essence:
            name = self._files[essence[0]].path.rpartition(b"/")[2].rpartition(b".")[0]
        return Clip(
            to_text(name),
            files,
            size_of(self._files, files),
            essence=essence,
            kind=kind_of(key, draft, parts),
            parts=parts,
            layout=self.layout.id,
            set_aside=draft.set_aside,
        )
