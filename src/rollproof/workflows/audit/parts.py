"""Rolls of which only a history around them speaks: somebody's tool has recorded a whole day, or a drive, at once.

Each such roll is a copy like others, compared with those on other drives. Its state is what the history around it and
the listing make of it; read again it is with that history, which gets what was found.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence

from rollproof.copies.likeness import named_like_a_roll
from rollproof.copies.location import place_on
from rollproof.copies.recorded import Recorded, opened_copy, recorded_files
from rollproof.models.audit_results import CopyState
from rollproof.models.counting import count_are
from rollproof.models.names import shown, to_text
from rollproof.models.results import VerifiedCopy
from rollproof.storage.io import Io
from rollproof.tree.ignore import IgnoreRules
from rollproof.tree.snapshot import take_snapshot
from rollproof.tree.suffixes import is_essence
from rollproof.workflows.audit.copy import COUNTED, CopyLook
from rollproof.workflows.audit.sums import Sums


def may_be_split(copy: CopyLook, everywhere: Sequence[CopyLook]) -> bool:
    """Whether the history of what looks like one roll could be one of a day: nothing says that it is a roll."""
    if copy.was_a_card or copy.inner or copy.lists or copy.part_of is not None:
        return False
    if named_like_a_roll(os.fsencode(copy.roll)):
        return False
    return not any(other.roll == copy.roll and other.was_a_card for other in everywhere)


def parts_of(io: Io, outer: CopyLook, is_roll: Callable[[bytes], bool]) -> list[CopyLook]:
    """The rolls in a history around them that have no papers of their own: the topmost folders with essence that
    `is_roll` says could be one. Empty where some of its essence lies in none. Raises UntrustedInput, OSError."""
    sums: dict[bytes, Sums] = {}
    with recorded_files(io, outer.path, (), outer.place.volume) as files:
        for file in files:
            folder = next((each for each in _folders_of(file.path) if is_roll(each)), None)
            if folder is None:
                if is_essence(file.path.rpartition(b"/")[2]):
                    return []
                continue
            sums.setdefault(folder, Sums()).add(_inside(file, folder))
    return [_part(io, outer, folder, made) for folder, made in sums.items() if made.moving or made.sound]


def _folders_of(path: bytes) -> Iterator[bytes]:
    """The folders that a file lies in, from the top down."""
    parts = path.split(b"/")
    for depth in range(1, len(parts)):
        yield b"/".join(parts[:depth])


def _inside(file: Recorded, folder: bytes) -> Recorded:
    return Recorded(file.path[len(folder) + 1 :], file.size, file.modified_ns, file.row, file.noted)


def _part(io: Io, outer: CopyLook, folder: bytes, sums: Sums) -> CopyLook:
    place = outer.place
    path = os.path.join(outer.path, folder)
    whole = os.path.join(outer.folder, folder) if outer.folder else folder
    copy = CopyLook(place, whole, path, shown(os.path.basename(folder)), outer.state, outer.why)
    copy.on_volume, copy.part_of, copy.first_at = to_text(place_on(place.volume, path)), outer, outer.first_at
    copy.files, copy.size_bytes, copy.moving, copy.sound = sums.files, sums.size_bytes, sums.moving, sums.sound
    copy.digests, copy.keys, copy.read_at = sums.texts(), sums.keys, outer.read_at
    if outer.state in ("damaged", "incomplete"):
        copy.state, copy.why = _by_listing(io, copy)
    return copy


def _by_listing(io: Io, copy: CopyLook) -> tuple[CopyState, str]:
    """Which of the rolls the trouble with the history around them is about."""
    there: dict[bytes, int] = {}
    try:
        with opened_copy(io, copy.path) as handle:
            there = {entry.path: entry.size for entry in take_snapshot(io, handle, IgnoreRules(of_copy=True)).files}
    except FileNotFoundError:
        pass
    missing = differ = 0
    with part_files(io, copy) as files:
        for file in files:
            missing += file.path not in there
            differ += file.size is not None and there.get(file.path, file.size) != file.size
    if missing:
        return "incomplete", f"{count_are(missing, 'recorded file')} not there"
    if differ:
        return "damaged", f"{count_are(differ, 'file')} not of the recorded size"
    return "copied", "not everything is as the history around it says"


def take_reading(part: CopyLook, found: VerifiedCopy) -> None:
    """What reading the history around it again has told of one roll in it."""
    outer = part.part_of
    if outer is None:
        return
    start = shown(os.path.relpath(part.path, outer.path)) + "/"
    differ = [path for path in found.differ if path.startswith(start)]
    missing = [path for path in found.missing if path.startswith(start)]
    if differ:
        part.state, part.why = "damaged", f"{count_are(len(differ), 'file')} not what was recorded"
    elif missing:
        part.state, part.why = "incomplete", f"{count_are(len(missing), 'recorded file')} not there"
    elif outer.state in COUNTED:
        part.state, part.why, part.reread_now = outer.state, outer.why, outer.reread_now
    else:
        part.state, part.why = "copied", "the history around it could not be verified as a whole"


@contextlib.contextmanager
def part_files(io: Io, copy: CopyLook) -> Iterator[Iterator[Recorded]]:
    """Go through what such a roll should hold. Raises UntrustedInput, OSError."""
    outer = copy.part_of
    if outer is None:
        raise ValueError("this copy has a history of its own")
    folder = os.path.relpath(copy.path, outer.path)
    with recorded_files(io, outer.path, (), outer.place.volume) as files:
        yield (_inside(file, folder) for file in files if file.path.startswith(folder + b"/"))
