"""The drives of an audit, each looked at from its root down: its rolls, what lies around them and beside them."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Collection, Container, Iterator
from dataclasses import dataclass, replace
from functools import partial

from rollproof.copies.likeness import named_like_a_roll
from rollproof.models.errors import Interrupted, UntrustedInput
from rollproof.models.events import Emit, Leg, LegEnded, LegStarted, Moved
from rollproof.models.findings import Kind, error
from rollproof.models.names import shown
from rollproof.models.requests import Cancel
from rollproof.proof.policy import Rules
from rollproof.records.signing import KnownKeys
from rollproof.storage.errors import said
from rollproof.storage.io import Io
from rollproof.workflows.audit.around import around_rolls
from rollproof.workflows.audit.copy import CopyLook, Place, Told
from rollproof.workflows.audit.custody import DriveCustody
from rollproof.workflows.audit.hidden import hidden_footage
from rollproof.workflows.audit.listed import look_at_listed
from rollproof.workflows.audit.look import CopyLooker
from rollproof.workflows.audit.parts import may_be_split, parts_of
from rollproof.workflows.audit.said import unread_folder
from rollproof.workflows.audit.walk import Walked, walk_drive
from rollproof.workflows.audit.workers import Pulse, pulsing

LOOKING = "looking"
"""What the events of the first part call the roll."""


@dataclass(slots=True)
class Seen:
    """What was found on one drive."""

    place: Place
    walked: Walked
    copies: list[CopyLook]
    told: list[Told]
    around: list[CopyLook]
    """The histories around rolls, those that lie deeper before those around them."""


class DriveLooker:
    """Looks at drives, each from its root down, and keeps what was found on them by the number of their place.

    `lose` is told of a drive that cannot be looked at to the end.
    """

    def __init__(
        self,
        io: Io,
        known: KnownKeys,
        emit: Emit,
        cancel: Cancel,
        seen: dict[int, Seen],
        lose: Callable[[Place, Kind, str], None],
        rules: Rules,
    ) -> None:
        self._io = io
        self._known = known
        self._emit = emit
        self._cancel = cancel
        self._seen = seen
        self._lose = lose
        self._rules = rules

    def look(self, _worker: int, place: Place, pulse: Pulse) -> None:
        """Everything on one drive; an OSError loses the drive."""
        io = pulsing(self._io, pulse)
        try:
            root = io.open_root(place.path)
        except OSError as error:
            self._lose(place, Kind.DRIVE_GONE, said(error))
            return
        ended = False
        try:
            top = b"" if place.volume.is_mount_root else os.path.basename(os.path.realpath(place.path))
            walked = walk_drive(io, root, place.elsewhere, self._cancel, name=top)
            seen = Seen(place, walked, [], [], [])
            self._emit(LegStarted(LOOKING, Leg.READ_BACK, place.name, len(walked.rolls), len(walked.rolls)))
            looker = CopyLooker(io, self._known, self._cancel, self._rules)
            for folder in walked.rolls:
                if self._cancel.is_set():
                    raise Interrupted("interrupted")
                look = partial(looker.look, place, folder, walked.inner[folder])
                seen.copies += self._copy(look, place, folder, seen)
                self._emit(Moved(LOOKING, Leg.READ_BACK, place.name, 1, 1, shown(folder)))
            for around in walked.around:
                seen.around += self._copy(partial(looker.look_around, place, around), place, around.folder, seen)
            for outer in seen.around:
                outer.parts = parts_of(io, outer, named_like_a_roll)
                seen.copies += outer.parts
            seen.told += around_rolls(io, root, place, walked.around, seen.copies)
            seen.told += [unread_folder(place, folder, why) for folder, why in walked.unread]
            hidden = hidden_footage(io, root, walked.passed_over, place.name, self._cancel)
            seen.told += [Told("strangers", finding) for finding in hidden]
            seen.told += DriveCustody(io, self._known, self._cancel).look(place, root, [*seen.copies, *seen.around])
            listed, odd = look_at_listed(io, place, walked, self._cancel)
            seen.copies += listed
            seen.told += odd
            self._seen[place.number] = seen
            ended = True
        except OSError as error:
            self._lose(place, Kind.DRIVE_GONE, said(error))
        finally:
            self._emit(LegEnded(LOOKING, Leg.READ_BACK, place.name, ended))
            with contextlib.suppress(OSError):
                io.close(root)

    def _copy(self, look: Callable[[], CopyLook], place: Place, folder: bytes, seen: Seen) -> Iterator[CopyLook]:
        try:
            yield look()
        except UntrustedInput as problem:
            detail = f"the history in {shown(folder)} on {place.name} cannot be relied on: {problem.message}"
            remedy = "compare with the same roll on another drive"
            finding = error(Kind.BAD_RECORD, detail, path=shown(folder), drive=place.name, remedy=remedy)
            seen.told.append(Told("custody", finding))
        except OSError as failure:
            detail = f"the roll folder {shown(folder)} on {place.name} cannot be read ({said(failure)})"
            finding = error(
                Kind.DRIVE_FAILED,
                detail,
                path=shown(folder),
                drive=place.name,
                remedy="check the drive and its cable, and audit again; keep every other copy",
            )
            seen.told.append(Told("copies", finding))


def split_days(io: Io, drives: Collection[Seen]) -> None:
    """Somebody's history of a whole day may hold rolls that other drives hold one by one: it lies around them."""
    everywhere = [copy for seen in drives for copy in seen.copies]
    for seen in drives:
        for copy in [*seen.copies]:
            if not may_be_split(copy, everywhere):
                continue
            known = {other.roll for other in everywhere if other is not copy}
            try:
                parts = parts_of(io, copy, partial(_is_one_of, known))
            except (UntrustedInput, OSError):
                continue  # its own findings tell why it cannot be read
            if parts:
                copy.is_around, copy.parts = True, parts
                copy.told = [replace(told, roll="") for told in copy.told]
                seen.copies = [*(each for each in seen.copies if each is not copy), *parts]
                seen.around.append(copy)


def _is_one_of(rolls: Container[str], folder: bytes) -> bool:
    return shown(folder.rpartition(b"/")[2]) in rolls
