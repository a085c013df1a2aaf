"""A roll that an earlier day left unfinished: the same command goes on with it there and does not begin anew."""

from __future__ import annotations

import contextlib
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import replace

from rollproof.copying.marker import Marker, read_marker
from rollproof.models.findings import Finding, Kind, note, warning
from rollproof.models.names import shown
from rollproof.production.folders import roll_folder
from rollproof.production.placeholders import filled
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io
from rollproof.workflows.offload.found import is_of_card
from rollproof.workflows.offload.order import Destination, Order
from rollproof.workflows.offload.source import Destinations, Source

_BY_THE_CALENDAR = frozenset(("day", "date"))
_MOST_FOLDERS = 2000
"""No production has more shooting days; a folder with more is something else."""


def earlier_day(io: Io, order: Order, card: Source, wanted: Sequence[Destination]) -> Destinations:
    """Look on every drive for this card's roll, unfinished, in the folder of another day.

    Where one is found, all drives get that folder, so that a roll is never torn into two days; with `--day` said, or
    where the card has no serial to know it by, it is only named. Drives that do not answer are passed over: the
    preflight says so.
    """
    unchanged = Destinations(list(wanted), [])
    if order.production is None or not any(f"{{{name}}}" in order.production.folder for name in _BY_THE_CALENDAR):
        return unchanged
    found: dict[bytes, tuple[str | None, str, bool]] = {}
    for want in wanted:
        with contextlib.suppress(OSError):
            for folder, day, surely in _unfinished(io, order, card, want):
                found.setdefault(folder, (day, want.drive, surely))
    if not found:
        return unchanged
    sure = {folder: day for folder, (day, _, surely) in found.items() if surely}
    if len(sure) == 1 and order.day is None:
        ((folder, day),) = sure.items()
        moved = [replace(want, relative=folder) for want in wanted]
        return Destinations(moved, [_note(folder, found[folder][1])], day)
    return Destinations(list(wanted), [_warning(folder, drive) for folder, (_, drive, _) in sorted(found.items())])


def _note(folder: bytes, drive: str) -> Finding:
    return note(
        Kind.NOT_FINISHED,
        f"this roll was begun on another shooting day and is gone on with in {shown(folder)}",
        path=shown(folder),
        drive=drive,
        remedy="to begin it anew in another day's folder, say the day with --day",
    )


def _warning(folder: bytes, drive: str) -> Finding:
    return warning(
        Kind.NOT_FINISHED,
        f"a roll of this name stands unfinished in {shown(folder)}",
        path=shown(folder),
        drive=drive,
        remedy="if it is this card's, say that day with --day to go on there",
    )


def _unfinished(io: Io, order: Order, card: Source, want: Destination) -> list[tuple[bytes, str | None, bool]]:
    """Roll folders of other days on one drive with a marker in them: folder, day, whether it is surely this card's."""
    base = io.open_root(want.base)
    try:
        found: list[tuple[bytes, str | None, bool]] = []
        for folder, day in _candidates(io, base, _patterns(order, card.roll)):
            if folder == want.relative:
                continue
            marker = _marker(io, base, folder)
            if marker is None:
                continue
            surely = is_of_card(marker, card.volume)
            if surely or marker.card_serial is None or card.volume.serial is None:
                found.append((folder, day, surely))
        return found
    finally:
        io.close(base)


def _patterns(order: Order, roll: str) -> list[re.Pattern[str] | bytes]:
    """The parts of the folder template: as they are today, or a pattern where the calendar comes in."""
    assert order.production is not None
    today = roll_folder(order.production, roll=roll, day=order.day, unit=order.unit, camera=None, now=order.now).split(
        b"/"
    )
    values = {"production": order.production.name, "roll": roll, "unit": order.unit or ""}

    def value(name: str) -> str:
        # the marks are letters that no name holds: replaced below, once everything else is escaped
        return {"day": "\ue000", "date": "\ue001"}.get(name) or values.get(name, "")

    out: list[re.Pattern[str] | bytes] = []
    for part, as_today in zip(order.production.folder.split("/"), today, strict=True):
        text = unicodedata.normalize("NFC", filled(part, value))
        if "\ue000" not in text and "\ue001" not in text:
            out.append(as_today)
            continue
        escaped = re.escape(text).replace("\ue000", "(?P<day>.+)", 1).replace("\ue000", ".+")
        out.append(re.compile(escaped.replace("\ue001", "[0-9]{4}-[0-9]{2}-[0-9]{2}"), re.DOTALL))
    return out


def _candidates(io: Io, base: int, parts: Sequence[re.Pattern[str] | bytes]) -> list[tuple[bytes, str | None]]:
    """Folders that the template could have made on any day, with the day."""
    reached: list[tuple[bytes, str | None]] = [(b"", None)]
    for part in parts:
        below: list[tuple[bytes, str | None]] = []
        for folder, day in reached:
            if isinstance(part, bytes):
                below.append((_join(folder, part), day))
                continue
            for name in _folders(io, base, folder):
                match = part.fullmatch(name.decode("utf-8", "replace"))
                if match is not None:
                    below.append((_join(folder, name), match.groupdict().get("day") or day))
        reached = below[:_MOST_FOLDERS]
    return reached


def _folders(io: Io, base: int, folder: bytes) -> list[bytes]:
    try:
        handle = open_below(io, base, folder)
    except OSError:
        return []
    try:
        return sorted(name for name, kind in io.list_folder(handle) if kind is EntryKind.FOLDER)
    except OSError:
        return []
    finally:
        io.close(handle)


def _marker(io: Io, base: int, folder: bytes) -> Marker | None:
    try:
        handle = open_below(io, base, folder)
    except OSError:
        return None
    try:
        return read_marker(io, handle)
    finally:
        io.close(handle)


def _join(folder: bytes, name: bytes) -> bytes:
    return folder + b"/" + name if folder else name
