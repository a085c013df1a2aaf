"""A picture of every clip, for people, into a folder of their choice: new files only, nothing is ever replaced."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Sequence
from dataclasses import replace

from rollproof.clips.check import ClipLook
from rollproof.media.poster import poster
from rollproof.media.source import FileSource
from rollproof.models.errors import Interrupted, UsageProblem
from rollproof.models.findings import Finding, Kind, note, warning
from rollproof.models.inspect_results import ClipOut
from rollproof.models.names import inert, shown, to_text
from rollproof.models.requests import Cancel
from rollproof.models.tree import Snapshot
from rollproof.storage.errors import said
from rollproof.storage.files import open_below, write_new
from rollproof.storage.io import Io

_SAFE = re.compile(r"[^A-Za-z0-9._-]+")
_MOST_BYTES = 512 << 20
_MOST_READS = 100_000
_LONGEST_NAME = 120


def write_posters(
    io: Io,
    root: int,
    snapshot: Snapshot,
    looks: Sequence[ClipLook],
    outs: Sequence[ClipOut],
    folder: bytes,
    cancel: Cancel,
) -> tuple[list[ClipOut], list[Finding]]:
    """Posters of all clips with pictures as `ROLL_CLIP.png`; the clips again, with the path of each.

    Raises UsageProblem when the folder is none that can be written into, Interrupted.
    """
    target = _target(io, folder)
    made: list[ClipOut] = []
    findings: list[Finding] = []
    none = 0
    try:
        for look, out in zip(looks, outs, strict=True):
            if cancel.is_set():
                raise Interrupted("Stopped while making posters.")
            picture = _picture(io, root, snapshot, look) if look.clip.essence else None
            if picture is None:
                none += 1
                made.append(out)
                continue
            name = _name(out)
            try:
                write_new(io, target, name, [picture])
            except FileExistsError:
                findings.append(
                    warning(
                        Kind.NOT_WRITABLE,
                        "there is a file of that name already, and nothing is ever replaced: no poster was written",
                        path=shown(name),
                        remedy="name a new folder with --posters",
                    )
                )
                made.append(out)
                continue
            made.append(replace(out, poster=to_text(os.path.join(folder, name))))
    except OSError as error:
        raise UsageProblem(
            f"posters cannot be written into {shown(folder)} ({said(error)})", hint="name a folder you may write into"
        ) from error
    finally:
        with contextlib.suppress(OSError):
            io.close(target)
    if none:
        findings.append(note(Kind.CLIP_FACTS_MISSING, "no poster could be made of these clips", count=none))
    return made, findings


def _target(io: Io, folder: bytes) -> int:
    try:
        parent, _, name = folder.rstrip(b"/").rpartition(b"/")
        above = io.open_root(parent or (b"/" if folder.startswith(b"/") else b"."))
        try:
            if name:
                with contextlib.suppress(FileExistsError):
                    io.make_folder(name, above)
            return io.open_root(folder)
        finally:
            with contextlib.suppress(OSError):
                io.close(above)
    except OSError as error:
        raise UsageProblem(
            f"posters cannot be written into {shown(folder)} ({said(error)})",
            hint="name a folder whose parent is there and that you may write into",
        ) from error


def _picture(io: Io, root: int, snapshot: Snapshot, look: ClipLook) -> bytes | None:
    path = snapshot.files[look.clip.essence[0]].path
    folder, _, name = path.rpartition(b"/")
    try:
        parent = open_below(io, root, folder)
        try:
            handle = io.open_read(name, parent, direct=False)
        finally:
            io.close(parent)
        try:
            source = FileSource(io, handle, io.fstat(handle).size, most_bytes=_MOST_BYTES, most_reads=_MOST_READS)
            return poster(source, path)
        finally:
            io.close(handle)
    except OSError:
        return None


def _name(out: ClipOut) -> bytes:
    """Safe on every file system, whatever the clip is called."""
    parts = [part for part in (out.roll, out.name) if part]
    if len(parts) == 2 and parts[1].casefold().startswith(parts[0].casefold()):
        parts = parts[1:]
    text = _SAFE.sub("_", inert("_".join(parts))).strip("._") or "clip"
    return text[:_LONGEST_NAME].encode() + b".png"
