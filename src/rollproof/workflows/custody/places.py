"""Where the records of handovers lie: `<drive>/<production>/rollproof/`, or `<drive>/rollproof/` without a production.

A *place* is the folder that holds such a `rollproof/`; the rolls it speaks of lie below it.
"""

from __future__ import annotations

import contextlib
import os
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from rollproof.models.errors import UsageProblem
from rollproof.models.findings import Kind
from rollproof.models.names import RECORDS_FOLDER, from_record, is_safe_relative, is_text, shown, to_base64, to_text
from rollproof.models.requests import Cancel
from rollproof.records.chain import Chain, compare_with_memory, read_chain
from rollproof.records.models import HandoverHeader, ReceiveHeader, RecordName, RollLine
from rollproof.records.receipt import receipt_of
from rollproof.storage.files import open_below
from rollproof.storage.io import EntryKind, Io
from rollproof.workflows.custody.rolls import RollSeen

_DEEPEST = 12


@dataclass(slots=True)
class Place:
    """A place below the drive's folder, and the rolls found below it by their folder relative to it."""

    folder: bytes
    production: str | None
    rolls: dict[bytes, RollSeen]
    chain: Chain

    @property
    def newest_handover(self) -> tuple[str, HandoverHeader] | None:
        """The newest handover record that can be read, with its file's name."""
        for link in reversed(self.chain.links):
            if isinstance(link.header, HandoverHeader):
                return link.name, link.header
        return None


def places_of(io: Io, root: int, drive: bytes, rolls: Iterable[RollSeen], known: Iterable[bytes]) -> list[Place]:
    """The places of these rolls, and those of `known` (folders that hold such records already), in byte order.

    Each roll belongs to the nearest known place above it, else to the folder named as its production, else to the
    drive's folder itself. A history around rolls that lies in a place itself is in none. OSError when the drive cannot
    be read.
    """
    known = sorted(known, key=len, reverse=True)
    groups: dict[bytes, list[RollSeen]] = {folder: [] for folder in known}
    for seen in rolls:
        above = [place for place in known if not place or seen.folder.startswith(place + b"/")]
        place = above[0] if above else _production_folder(seen)
        if seen.around is not None and seen.folder == place:
            continue  # its records are in one chain with those of the handovers, which hold them fast
        groups.setdefault(place, []).append(seen)
    return [_place(io, root, drive, folder, found) for folder, found in sorted(groups.items())]


def _place(io: Io, root: int, drive: bytes, folder: bytes, found: list[RollSeen]) -> Place:
    handle = open_below(io, root, folder)
    try:
        chain = read_chain(io, handle, drive=shown(drive))
    finally:
        io.close(handle)
    chain = Chain(chain.links, tuple(odd for odd in chain.findings if odd.kind is not Kind.NO_HISTORY))
    first = next((link.header for link in chain.links if link.header is not None), None)
    name = os.path.basename(os.path.realpath(os.path.join(drive, folder)))
    productions = {seen.production for seen in found}
    production = productions.pop() if len(productions) == 1 else None
    if first is not None:
        production = first.production  # a chain stays with the production it began with
    elif production is not None and not _is_named(name, production):
        production = None
    start = len(folder) + 1 if folder else 0
    return Place(folder, production, {seen.folder[start:]: seen for seen in found}, chain)


def _production_folder(seen: RollSeen) -> bytes:
    parts = seen.folder.split(b"/")
    for depth in range(1, len(parts)):
        if seen.production is not None and _is_named(parts[depth - 1], seen.production):
            return b"/".join(parts[:depth])
    return b""


def _is_named(folder: bytes, production: str) -> bool:
    return unicodedata.normalize("NFC", to_text(folder)) == unicodedata.normalize("NFC", production)


def refuse_part_of_a_drive(drive: bytes, rolls: Iterable[RollSeen]) -> None:
    """UsageProblem when `drive` is one roll, or a folder inside a production's: a handover speaks of a whole drive."""
    real = os.path.realpath(drive)
    parents = real.split(os.sep.encode())[:-1]
    for seen in rolls:
        inside = seen.production is not None and any(_is_named(part, seen.production) for part in parents if part)
        if (not seen.folder and seen.around is None) or inside:
            what = "one roll" if not seen.folder else "a part of a production's folder"
            raise UsageProblem(
                f"{shown(drive)} is {what}; a drive changes hands as a whole",
                hint="name the folder where the drive is mounted",
            )


def find_places(io: Io, root: int, rolls: Iterable[bytes], cancel: Cancel) -> list[bytes]:
    """Folders below an open folder that hold records of a handover or a receive, outside of `rolls`. Links are not
    followed; folders that do not open are passed over."""
    inside = set(rolls)
    waiting, found = [b""], []
    while waiting and not cancel.is_set():
        path = waiting.pop()
        with contextlib.suppress(OSError):
            for name, kind in _entries(io, root, path):
                below = path + b"/" + name if path else name
                if kind is not EntryKind.FOLDER:
                    continue
                if name == RECORDS_FOLDER:
                    if path not in inside and holds_handovers(io, root, path):
                        found.append(path)
                elif below not in inside and below.count(b"/") < _DEEPEST:
                    waiting.append(below)
    return sorted(found)


def holds_handovers(io: Io, root: int, path: bytes) -> bool:
    """Whether the `rollproof/` of a folder holds records of a handover or a receive."""
    with contextlib.suppress(OSError):
        entries = _entries(io, root, path + b"/" + RECORDS_FOLDER if path else RECORDS_FOLDER)
        return any(kind is EntryKind.FILE and (b"_handover_" in name or b"_receive_" in name) for name, kind in entries)
    return False


def _entries(io: Io, root: int, path: bytes) -> list[tuple[bytes, EntryKind]]:
    handle = open_below(io, root, path)
    try:
        return io.list_folder(handle)
    finally:
        with contextlib.suppress(OSError):
            io.close(handle)


def roll_lines(rolls: Mapping[bytes, RollSeen]) -> tuple[RollLine, ...]:
    """What a record says of the rolls of its place."""
    return tuple(
        RollLine(
            roll=seen.roll,
            folder=to_text(folder),
            folder_b64=None if is_text(folder) else to_base64(folder),
            record=record_name(seen),
            state=seen.state,
            files=seen.files,
            bytes=seen.size_bytes,
            looked_at_by=seen.looked_at_by,
        )
        for folder, seen in sorted(rolls.items())
    )


def record_name(seen: RollSeen) -> RecordName | None:
    """The newest record of a roll as other records name it."""
    head = seen.head
    return RecordName(name=head.name, sequence=head.sequence, sha256=head.sha256) if head is not None else None


def lines_by_folder(lines: Iterable[RollLine]) -> dict[bytes, RollLine] | None:
    """The lines of a record by exact folder; None when a folder comes twice or leads out of the place: untrusted."""
    found: dict[bytes, RollLine] = {}
    for line in lines:
        try:
            folder = from_record(line.folder, line.folder_b64)
        except ValueError:
            return None
        if not is_safe_relative(folder) or folder in found:
            return None
        found[folder] = line
    return found


def receipt_in(header: HandoverHeader | ReceiveHeader) -> str | None:
    """The receipt over the rolls that a record lists, made anew; None when its list makes no sense."""
    lines = lines_by_folder(header.rolls)
    if lines is None:
        return None
    return receipt_of((folder, line.record.sha256 if line.record else None) for folder, line in lines.items())


def remembered(chain: Chain) -> Iterator[tuple[str, bytes, RecordName]]:
    """What the handovers and receives of a place remember: the record's name, the roll's folder, its newest record."""
    for link in chain.links:
        if isinstance(link.header, HandoverHeader | ReceiveHeader):
            for folder, line in (lines_by_folder(link.header.rolls) or {}).items():
                if line.record is not None:
                    yield link.name, folder, line.record


def compare_with_handovers(place: Place) -> None:
    """Add to each roll's findings what its chain lacks of the records that handovers and receives remember."""
    for whose, folder, record in remembered(place.chain):
        seen = place.rolls.get(folder)
        if seen is None:
            continue
        for lost in compare_with_memory(seen.chain, {record.sequence: [record.sha256]}, whose=whose):
            found = replace(lost, drive=shown(seen.path), remedy="compare with another copy of this roll")
            if found not in seen.findings:
                seen.findings.append(found)
