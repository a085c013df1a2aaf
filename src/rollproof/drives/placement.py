"""Where source and destinations lie to one another: inside, around, or the same folder under another name."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from rollproof.drives.interface import Drives
from rollproof.drives.name_checks import drive_key
from rollproof.models.findings import Finding, Kind, error, warning
from rollproof.models.names import shown
from rollproof.models.volumes import Limits


@dataclass(frozen=True, slots=True)
class _Spot:
    """A folder, known in three ways: none of them alone sees through links, bind mounts and folders to be made."""

    real: tuple[bytes, ...]
    """Components of the real path; what does not exist yet is appended as it was written."""
    chain: tuple[tuple[int, int], ...]
    """(device, inode) of the folder, or of its nearest existing parent, and of all above it."""
    missing: tuple[str, ...]
    """Components that do not exist yet, as the drive compares names."""
    within: tuple[str, bytes] | None
    """(volume, path within its file system): the same through every bind mount."""


def placement_findings(
    source_path: bytes, destination_paths: Sequence[tuple[str, bytes]], drives: Drives | None = None
) -> list[Finding]:
    """Errors for destinations inside the source, around it, or given twice; a warning for one inside another.

    `destination_paths` are (drive, folder); a folder may not exist yet. Compared by real path and by device and
    inode, so that links, bind mounts and other spellings on drives that ignore case are seen; with `drives`, also by
    the place within the file system, so that a bind mount of a *part* of the source is seen.
    A path that cannot be looked at is passed over: whoever opens it reports that.
    """
    source = _spot(source_path, drives)
    spots = [(drive, path, _spot(path, drives)) for drive, path in destination_paths]
    findings: list[Finding] = []
    if source is not None:
        for drive, path, spot in spots:
            if spot is not None:
                findings += _against_source(source_path, source, drive, path, spot)
    for index, (drive, path, spot) in enumerate(spots):
        for other_drive, other_path, other in spots[:index]:
            if spot is not None and other is not None:
                findings += _against_other(drive, path, spot, other_drive, other_path, other)
    return findings


def _against_source(source_path: bytes, source: _Spot, drive: str, path: bytes, spot: _Spot) -> list[Finding]:
    if _is_inside(spot, source):
        return [
            error(
                Kind.DESTINATION_INSIDE_SOURCE,
                f"the destination {shown(path)} lies inside the source {shown(source_path)}: the card would be written"
                " to, and a copy there is none",
                path=shown(path),
                drive=drive,
                remedy="name a folder on another drive",
            )
        ]
    if _is_inside(source, spot):
        return [
            error(
                Kind.SOURCE_INSIDE_DESTINATION,
                f"the source {shown(source_path)} lies inside the destination {shown(path)}",
                path=shown(path),
                drive=drive,
                remedy="name a folder on another drive, or the card itself as the source",
            )
        ]
    return []


def _against_other(
    drive: str, path: bytes, spot: _Spot, other_drive: str, other_path: bytes, other: _Spot
) -> list[Finding]:
    inside, around = _is_inside(spot, other), _is_inside(other, spot)
    if inside and around:
        return [
            error(
                Kind.SAME_FOLDER,
                f"{shown(other_path)} ({other_drive}) and {shown(path)} ({drive}) are one and the same folder:"
                " that is one copy, not two",
                path=shown(path),
                drive=drive,
                remedy="name each destination once, each on a drive of its own",
            )
        ]
    if inside or around:
        inner, outer = (path, other_path) if inside else (other_path, path)
        return [
            warning(
                Kind.SAME_FOLDER,
                f"the destination {shown(inner)} lies inside the destination {shown(outer)}",
                path=shown(inner),
                drive=drive,
                remedy="name destinations on separate drives, none inside another",
            )
        ]
    return []


def _is_inside(inner: _Spot, outer: _Spot) -> bool:
    """Whether one is the other or lies in it."""
    if inner.real[: len(outer.real)] == outer.real:
        return True
    if outer.chain and not outer.missing and outer.chain[0] in inner.chain:
        return True
    if outer.missing and inner.chain and outer.chain[:1] == inner.chain[:1]:
        # both still to be made, below one existing folder
        return inner.missing[: len(outer.missing)] == outer.missing
    if inner.within and outer.within and inner.within[0] == outer.within[0]:
        top = outer.within[1].rstrip(b"/") + b"/"
        return (inner.within[1].rstrip(b"/") + b"/").startswith(top)
    return False


def _spot(path: bytes, drives: Drives | None) -> _Spot | None:
    try:
        real = os.path.realpath(path)
        existing, missing = real, list[bytes]()
        while not os.path.lexists(existing):
            existing, name = os.path.split(existing)
            if not name:
                return None
            missing.insert(0, name)
        chain = []
        folder = existing
        while True:
            found = os.stat(folder)
            chain.append((found.st_dev, found.st_ino))
            parent = os.path.dirname(folder)
            if parent == folder:
                break
            folder = parent
        limits, within = _within(existing, missing, drives)
    except (OSError, ValueError):
        return None
    return _Spot(
        real=tuple(part for part in real.split(os.fsencode(os.sep)) if part),
        chain=tuple(chain),
        missing=tuple(drive_key(name, limits) for name in missing),
        within=within,
    )


def _within(
    existing: bytes, missing: Sequence[bytes], drives: Drives | None
) -> tuple[Limits, tuple[str, bytes] | None]:
    try:
        volume = drives.volume_of(existing) if drives is not None else None
    except OSError:
        volume = None
    if volume is None:
        # without knowledge of the drive: take two spellings of a folder still to be made for one
        return Limits(folds_case=True, folds_unicode=True), None
    if not volume.source.startswith("/dev/"):
        return volume.limits, None  # a source such as `tmpfs` names many volumes
    tail = existing[len(volume.mount_point) :].strip(b"/")
    parts = (volume.mount_root.strip(b"/"), tail, *missing)
    return volume.limits, (volume.source, b"/" + b"/".join(part for part in parts if part))
