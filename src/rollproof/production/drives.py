"""Find the production's drives among what is attached: by path, by the identity of the volume, or by both."""

from __future__ import annotations

import os
import stat
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass

from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Volume
from rollproof.production.model import Production, ProductionDrive

_ANSWER_SECONDS = 15.0
"""How long all folders together may take to answer; drives spin up in about ten."""


@dataclass(frozen=True, slots=True)
class _Folder:
    """What stands at a path: where it really is and on which file system; both None when nothing usable does."""

    real: bytes | None
    st_dev: int | None


def resolve(production: Production, volumes: Sequence[Volume]) -> tuple[list[tuple[str, bytes]], list[Finding]]:
    """The role and the folder of every drive that is there, and an error for every one that is not.

    A drive with a volume identity is found wherever it is mounted; a path beside it must lie on that volume. A drive
    that does not answer in time is handed on as it is: whoever works with it has its own time limit and words.
    """
    findings: list[Finding] = []
    places: list[tuple[ProductionDrive, Volume | None, bytes]] = []
    for drive in production.drives:
        volume, finding = _volume(drive, volumes)
        if finding is not None:
            findings.append(finding)
            continue
        places.append((drive, volume, _folder(drive, volume)))
    looked = _look([folder for _, _, folder in places])
    found: list[tuple[str, bytes]] = []
    for drive, volume, folder in places:
        problem = _problem(drive, volume, folder, looked.get(folder), volumes)
        if problem is not None:
            findings.append(problem)
        else:
            found.append((drive.role, folder))
    return found, findings


def named_drive(production: Production, path: bytes, volume: Volume) -> ProductionDrive | None:
    """The drive of the production file that a path on an attached volume is: by the volume's identity, else by path."""
    real = os.path.realpath(path)
    if volume.serial is not None:
        for drive in production.drives:
            if _plain(volume.serial) in {_plain(identity) for identity in drive.volume}:
                return drive
    for drive in production.drives:
        if drive.path is not None and not drive.volume:
            own = os.path.realpath(os.fsencode(drive.path))
            if _is_above(own, real) or _is_above(real, own):
                return drive
    return None


def folder_on(drive: ProductionDrive, volume: Volume) -> bytes:
    """The folder for the production's copies on the volume that the drive is."""
    return _folder(drive, volume)


def _folder(drive: ProductionDrive, volume: Volume | None) -> bytes:
    path = os.fsencode(drive.path) if drive.path is not None else b""
    if volume is None:
        return path
    # joining an absolute path gives that path
    return os.path.join(volume.mount_point, path) if path else volume.mount_point


def _volume(drive: ProductionDrive, volumes: Sequence[Volume]) -> tuple[Volume | None, Finding | None]:
    if not drive.volume:
        return None, None
    wanted = {_plain(identity) for identity in drive.volume}
    matching = [volume for volume in volumes if volume.serial is not None and _plain(volume.serial) in wanted]
    if not matching:
        return None, _not_attached(drive, volumes)
    if len(matching) == 1:
        return matching[0], None
    if drive.path is not None and os.path.isabs(os.fsencode(drive.path)):
        on_path = _holding(os.fsencode(drive.path), matching)
        if on_path is not None:
            return on_path, None
    places = " and ".join(shown(volume.mount_point) for volume in matching)
    if len({_plain(volume.serial or "") for volume in matching}) > 1:
        return None, _several(drive, places)
    return None, error(
        Kind.UNKNOWN_DEVICE,
        f"{len(matching)} attached volumes say they are {_identity(drive)} ({drive.role}): {places}; one is a clone",
        drive=drive.role,
        remedy="unplug the one that is not meant, or give the drive's path in the production file",
    )


def _several(drive: ProductionDrive, places: str) -> Finding:
    return error(
        Kind.UNKNOWN_DEVICE,
        f"drives that take turns as {inert(drive.role)} are attached at the same time: {places}",
        drive=drive.role,
        remedy="unplug those that are not meant, or give the path of the one that is in the production file",
    )


def _not_attached(drive: ProductionDrive, volumes: Sequence[Volume]) -> Finding:
    path = os.fsencode(drive.path) if drive.path is not None else b""
    there = _holding(path, volumes) if path and os.path.isabs(path) else None
    if there is not None and there.mount_point != b"/":
        return _wrong_drive(drive, there, path)
    where = f" at {shown(path)}" if path else ""
    return error(
        Kind.DRIVE_MISSING,
        f"the drive {inert(drive.role)} is not attached: there is no {_identity(drive)}{where}",
        path=shown(path),
        drive=drive.role,
        remedy="attach and mount it; `rollproof drives` shows what is attached. A drive that was formatted has a new"
        " identity: write that into the production file",
    )


def _problem(
    drive: ProductionDrive, volume: Volume | None, folder: bytes, seen: _Folder | None, volumes: Sequence[Volume]
) -> Finding | None:
    if seen is None:
        return None
    if seen.real is None:
        which = f"the drive {inert(drive.role)} is attached, but" if volume else f"the drive {inert(drive.role)}:"
        return error(
            Kind.DRIVE_MISSING,
            f"{which} there is no folder {shown(folder)}",
            path=shown(folder),
            drive=drive.role,
            remedy=(
                "make the folder on the drive first, or correct its path in the production file"
                if volume
                else "attach and mount the drive; if this is to be a new folder on it, make the folder first"
            ),
        )
    if volume is None or _lies_on(seen, volume, volumes):
        return None
    other = _holding(seen.real, [one for one in volumes if one is not volume])
    return _wrong_drive(drive, other, folder, volume)


def _wrong_drive(drive: ProductionDrive, there: Volume | None, path: bytes, attached: Volume | None = None) -> Finding:
    is_there = "another file system"
    if there is not None:
        label = f'"{inert(there.label)}", ' if there.label else ""
        is_there = f"{label}volume {inert(there.serial or 'without identity')}"
    elsewhere = f"; that one is mounted at {shown(attached.mount_point)}" if attached is not None else ""
    return error(
        Kind.OTHER_DEVICE,
        f"the wrong drive is at {shown(path)}: {is_there}, not {_identity(drive)} as the drive {inert(drive.role)}"
        f" should be{elsewhere}",
        path=shown(path),
        drive=drive.role,
        remedy="unplug it and attach the right one, or correct the production file",
    )


def _lies_on(seen: _Folder, volume: Volume, volumes: Sequence[Volume]) -> bool:
    if seen.st_dev == volume.st_dev:
        return True
    # every btrfs subvolume shows a device number of its own: there the mount point decides
    return volume.file_system == "btrfs" and seen.real is not None and _holding(seen.real, volumes) is volume


def _holding(path: bytes, volumes: Sequence[Volume]) -> Volume | None:
    """The volume with the longest mount point above a path."""
    path = os.path.normpath(path)
    above = [volume for volume in volumes if _is_above(os.path.normpath(volume.mount_point), path)]
    return max(above, key=lambda volume: len(os.path.normpath(volume.mount_point)), default=None)


def _is_above(mount_point: bytes, path: bytes) -> bool:
    separator = os.fsencode(os.sep)
    return path == mount_point or path.startswith(mount_point.rstrip(separator) + separator)


def _plain(identity: str) -> str:
    """Systems write one number with and without dashes, in either case."""
    return "".join(letter for letter in identity.casefold() if letter not in "-: {}")


def _identity(drive: ProductionDrive) -> str:
    return f"volume {' or '.join(inert(identity) for identity in drive.volume)}"


def _look(folders: Sequence[bytes]) -> dict[bytes, _Folder]:
    """What stands at each path. A path whose drive hangs is left out instead of holding everything up."""
    answers: dict[bytes, _Folder] = {}
    threads = [threading.Thread(target=_look_at, args=(folder, answers), daemon=True) for folder in set(folders)]
    for thread in threads:
        thread.start()
    left = _ANSWER_SECONDS
    for thread in threads:
        started = time.monotonic()
        thread.join(max(left, 0.0))
        left -= time.monotonic() - started
    return dict(answers)


def _look_at(folder: bytes, answers: dict[bytes, _Folder]) -> None:
    try:
        real = os.path.realpath(folder)
        found = os.stat(real)
    except (OSError, ValueError):
        answers[folder] = _Folder(None, None)
        return
    answers[folder] = _Folder(real, found.st_dev) if stat.S_ISDIR(found.st_mode) else _Folder(None, None)
