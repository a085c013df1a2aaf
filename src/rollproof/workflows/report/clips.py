"""The clips of one roll for a report: grouped as on the card, with recorded hashes, and facts from an attached copy."""

from __future__ import annotations

import base64
import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rollproof.card.clips import group_clips, natural_key
from rollproof.clips.check import ClipLook, LookHow, look_at_clips, workers_for
from rollproof.clips.words import duration_text, rate_text
from rollproof.hashing import ALGORITHMS
from rollproof.media.poster import poster
from rollproof.media.source import FileSource
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.models.tree import Clip, FileEntry, Snapshot
from rollproof.models.volumes import Volume
from rollproof.records.rows import ClipRow
from rollproof.reports.model import ClipOfReport
from rollproof.storage.files import open_below
from rollproof.storage.io import Io

_POSTER_WIDE = 160
_POSTER_BYTES, _POSTER_READS = 256 << 20, 50_000


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """One file of a roll as recorded."""

    entry: FileEntry
    hashes: dict[str, str]


@dataclass(frozen=True, slots=True)
class Copied:
    """An attached copy that may be looked into: the open roll folder, and whether pictures are wanted."""

    io: Io
    handle: int
    volume: Volume
    posters: bool
    cancel: Cancel


def clips_of(
    files: Sequence[RecordedFile], rows: dict[str, ClipRow], damaged: set[str], copied: Copied | None
) -> tuple[list[ClipOfReport], bool]:
    """The clips in order of their names, and whether the medium stopped answering: its handle is in use then.

    `files` in byte order of the paths; `rows` are what records say of clips by name, `damaged` the names that were
    called so. Never raises for what a copy holds or lacks; Interrupted when the end was asked for.
    """
    entries = tuple(file.entry for file in files)
    snapshot = Snapshot(files=entries, folders=_folders(entries), ignored=(), findings=(), listing_digest="")
    clips = group_clips(snapshot)
    looks = {clip.files: ClipLook(clip) for clip in clips}
    hangs = False
    if copied is not None:
        # the records of newer offloads say it all: then no file is opened
        lacking = [clip for clip in clips if (row := rows.get(clip.name)) is None or row.duration is None]
        seen = look_at_clips(
            copied.io,
            copied.handle,
            snapshot,
            lacking,
            LookHow(workers=workers_for(copied.volume), sidecars=False, cancel=copied.cancel),
        )
        looks.update((look.clip.files, look) for look in seen.looks)
        hangs = seen.hangs
    pictures = copied if copied is not None and copied.posters and not hangs else None
    ordered = sorted(looks.values(), key=lambda look: natural_key(look.clip.name))
    return [_clip(look, files, rows.get(look.clip.name), damaged, pictures) for look in ordered], hangs


def _folders(entries: Sequence[FileEntry]) -> tuple[bytes, ...]:
    found: set[bytes] = set()
    for entry in entries:
        folder = entry.path.rpartition(b"/")[0]
        while folder and folder not in found:
            found.add(folder)
            folder = folder.rpartition(b"/")[0]
    return tuple(sorted(found))


def _clip(
    look: ClipLook, files: Sequence[RecordedFile], row: ClipRow | None, damaged: set[str], pictures: Copied | None
) -> ClipOfReport:
    clip, facts = look.clip, look.facts
    first = files[(clip.essence or clip.files)[0]]
    known = next((name for name in ALGORITHMS if name in first.hashes), None)
    duration = (row.duration if row is not None else None) or duration_text(facts.duration_seconds)
    seconds = _seconds(duration) if duration else None
    resolution = f"{facts.width}x{facts.height}" if facts.width and facts.height else None
    picture = _picture(clip, first.entry, pictures) if pictures is not None else None
    return ClipOfReport(
        name=inert(clip.name),
        files=len(clip.files),
        bytes=clip.size_bytes,
        health=_health(look, row, clip.name in damaged),
        path=shown(first.entry.path),
        hash=f"{known}:{first.hashes[known]}" if known is not None else None,
        duration=_text(duration) if seconds is not None else None,
        duration_seconds=seconds,
        timecode=_text((row.timecode if row is not None else None) or facts.start_timecode),
        frame_rate=_text((row.frame_rate if row is not None else None) or rate_text(facts.frame_rate)),
        resolution=_text((row.resolution if row is not None else None) or resolution),
        codec=_text((row.codec if row is not None else None) or facts.codec),
        poster=f"data:image/png;base64,{base64.b64encode(picture).decode('ascii')}" if picture else None,
    )


def _health(look: ClipLook, row: ClipRow | None, damaged: bool) -> Literal["sound", "odd", "damaged", "unknown"]:
    """The worst word that anybody has said of it."""
    words = {look.state, row.health if row is not None else "", (row.state or "") if row is not None else ""}
    if damaged or "damaged" in words:
        return "damaged"
    return "odd" if "odd" in words else "sound" if "sound" in words else "unknown"


def _picture(clip: Clip, entry: FileEntry, copied: Copied) -> bytes | None:
    if clip.kind == "tracks":
        return None  # sound
    folder, _, name = entry.path.rpartition(b"/")
    try:
        parent = open_below(copied.io, copied.handle, folder)
        try:
            handle = copied.io.open_read(name, parent, direct=False)
        finally:
            with contextlib.suppress(OSError):
                copied.io.close(parent)
        try:
            size = copied.io.fstat(handle).size
            source = FileSource(copied.io, handle, size, most_bytes=_POSTER_BYTES, most_reads=_POSTER_READS)
            return poster(source, entry.path, wide=_POSTER_WIDE)
        finally:
            with contextlib.suppress(OSError):
                copied.io.close(handle)
    except OSError:
        return None  # a copy that cannot be looked into keeps what its records say; verify is the one to complain


def _text(text: str | None) -> str | None:
    return inert(text)[:60] if text else None


def _seconds(text: str) -> float | None:
    """`hh:mm:ss.mmm`, or plain seconds; None for anything else a record may hold."""
    try:
        parts = [float(part) for part in text.split(":")]
    except ValueError:
        return None
    if not 1 <= len(parts) <= 3 or not all(0 <= part < 1e7 for part in parts):
        return None
    total = 0.0
    for part in parts:
        total = total * 60 + part
    return round(total, 3)
