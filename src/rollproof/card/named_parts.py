"""Looking on a card for what no listing shows: alternate data streams, resource forks, extended attributes.

One call for each file and folder where the file system can have such parts, none where it cannot.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

from rollproof.media.containers import HEAD_BYTES, container_for
from rollproof.media.sidecar_xml import NAME as SIDECAR
from rollproof.models.errors import Interrupted
from rollproof.models.findings import Finding, Kind, Severity, note
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import Snapshot
from rollproof.proof.streams import STREAM_BYTES, NamelessPart, Sight, can_have, keeps, sight
from rollproof.storage.errors import said
from rollproof.storage.io import Io, NamedPart
from rollproof.tree.descent import Descent
from rollproof.tree.gathering import Gathering
from rollproof.tree.suffixes import is_media

MOST_PARTS = 10_000
"""Parts that are kept; a card with more is told as one that could not be looked through."""
SMALL_ONES = "alternate data streams or extended attributes, which no listing shows"
_LOOK = "look at it on the kind of computer that wrote it; may-wipe keeps the card until it is accepted by name"
_TOO_MANY = f"more than {MOST_PARTS:,} alternate data streams or extended attributes"


@dataclass(frozen=True, slots=True)
class PartsFound:
    """What was found. `unread` are the files and folders that could not be asked, with the reason."""

    sight: Sight = Sight.NONE
    parts: tuple[NamelessPart, ...] = ()
    unread: tuple[tuple[str, str], ...] = ()


def entries_of(snapshot: Snapshot) -> list[bytes]:
    """Every file and folder of a listing and the top itself, in the order in which a walk is shortest."""
    return sorted([b"", *snapshot.folders, *(entry.path for entry in snapshot.files)])


def find_named_parts(
    io: Io, root: int, paths: Iterable[bytes], file_system: str, *, cancel: Cancel | None = None
) -> PartsFound:
    """Ask each of these files and folders below an open root. Raises Interrupted when `cancel` is set."""
    if not can_have(file_system):
        return PartsFound()
    descent = Descent(io, root)
    parts: list[NamelessPart] = []
    unread: list[tuple[str, str]] = []
    try:
        shown_as = io.parts_shown_as(root)
        seen = sight(file_system, io.name, shown=shown_as is not None)
        if shown_as is None or seen is not Sight.LOOKED_FOR:
            return PartsFound(seen)
        for path in paths:
            if cancel is not None and cancel.is_set():
                raise Interrupted("Stopped while looking over the card; nothing was copied.")
            folder, _, name = path.rpartition(b"/")
            try:
                handle = descent.enter(folder)
                found = io.named_parts(name or b".", handle, shown_as)
                for each in found:
                    read = partial(io.beginning_of_part, name or b".", each.name, handle, shown_as, HEAD_BYTES)
                    parts.append(NamelessPart(shown(path), _name(each), each.size, _is_media(each, read)))
            except OSError as failure:
                unread.append((shown(path), said(failure)))
            if len(parts) > MOST_PARTS:
                return PartsFound(seen, tuple(parts[:MOST_PARTS]), ((shown(path), _TOO_MANY),))
    finally:
        descent.close()
    return PartsFound(seen, tuple(parts), tuple(unread))


def _name(part: NamedPart) -> str:
    return inert(shown(part.name))


def _is_media(part: NamedPart, read: Callable[[], bytes]) -> bool:
    """By its suffix, or by the first bytes of one that is small; a larger one keeps the card anyway."""
    if is_media(part.name):
        return True
    if part.size is None or part.size >= STREAM_BYTES:
        return False
    container = container_for(read(), b"")
    return container is not None and container.name != SIDECAR


def not_shown(file_system: str) -> Iterator[Finding]:
    """Said once where the mount shows no such parts though the file system may hold them."""
    ntfs = "ntfs" in file_system
    yield note(
        Kind.NAMED_PARTS,
        f"this mount ({inert(file_system)}) does not show "
        + ("alternate data streams" if ntfs else "resource forks and extended attributes")
        + ": whether the card holds any cannot be told, and they are not copied",
        remedy="if it was used on Windows, mount it with `ntfs-3g -o ro,streams_interface=xattr DEVICE FOLDER`, or look"
        " at it there with `dir /r`"
        if ntfs
        else "if it was used on a Mac, look at it there with `ls -l@`",
    )


def part_findings(found: PartsFound, file_system: str) -> list[Finding]:
    """What is told of a card when it is looked at or copied: those that may be footage one by one, up to a hundred, the
    others together."""
    told = Gathering()
    for part in found.parts:
        path = part.whole.encode()
        if keeps(part):
            detail = f"{words_of(part)}: no listing shows it, and it is not copied"
            told.each(Kind.NAMED_PARTS, Severity.WARNING, path, detail, _LOOK)
        else:
            told.grouped(Kind.NAMED_PARTS, Severity.WARNING, path, f"{SMALL_ONES}: not copied")
    for path_text, why in found.unread:
        told.each(Kind.NAMED_PARTS, Severity.WARNING, path_text.encode(), could_not_look(why))
    return [*told.all(), *(not_shown(file_system) if found.sight is Sight.NOT_SHOWN else ())]


def words_of(part: NamelessPart) -> str:
    """A part that may be footage, in words."""
    size = f"{part.size_bytes:,} bytes" if part.size_bytes is not None else "more than 64 KiB"
    media = ", media by its name or first bytes" if part.media else ""
    return f"{part.whole}, an alternate data stream or extended attribute ({size}{media})"


def could_not_look(why: str) -> str:
    """A file or folder that could not be asked, in words."""
    return f"whether it has alternate data streams or extended attributes could not be told ({why})"
