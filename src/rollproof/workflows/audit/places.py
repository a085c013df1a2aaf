"""Which drives an audit is about: the folders a person named, each on its volume and its physical device."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from functools import partial

from rollproof.drives.interface import Drives
from rollproof.models.findings import Finding, Kind, error, warning
from rollproof.models.names import inert, shown
from rollproof.models.requests import Cancel
from rollproof.models.volumes import Volume
from rollproof.production.model import Production
from rollproof.proof.devices import share_a_device
from rollproof.storage.deadline import Guard, Patience
from rollproof.storage.errors import said
from rollproof.storage.watch import NoAnswer
from rollproof.workflows.audit.copy import Place

_Found = tuple[bytes, Volume, tuple[bytes, ...], bool]
_PATIENCE = Patience(60.0, 2.0, 60.0, "Stopped while looking at the drives.")


def _tell_nobody(path: bytes, why: str) -> None:
    pass


def find_places(
    paths: Sequence[bytes], drives: Drives, cancel: Cancel, silent: Callable[[bytes, str], None] = _tell_nobody
) -> tuple[list[Place], list[Finding]]:
    """The places in the order they were named, and an error for each that cannot be looked at.

    Other file systems mounted inside a named folder are places of their own. A folder inside another named one adds
    nothing. `silent` hears of a path that does not answer, and why. Raises Interrupted.
    """
    found: list[_Found] = []
    problems: list[Finding] = []
    for path in paths:
        try:
            answered = Guard(_PATIENCE, cancel).run_whole(partial(_volumes, drives, path))
        except NoAnswer:
            problems.append(_not_there(path, "it does not answer", Kind.DRIVE_HANGS))
            silent(path, problems[-1].detail)
            continue
        except OSError as error:
            problems.append(_not_there(path, said(error), Kind.DRIVE_MISSING))
            continue
        found += answered
    places: list[Place] = []
    for path, volume, elsewhere, is_empty in found:
        real = os.path.realpath(path)
        is_twice = any(os.path.realpath(place.path) == real for place in places)
        is_part = any(at.st_dev == volume.st_dev and _holds(os.path.realpath(other), real) for other, at, *_ in found)
        if not is_twice and not is_part:
            places.append(Place(len(places), path, _name(path, volume), volume, 0, elsewhere, is_empty))
    _number_devices(places)
    _tell_apart(places)
    return places, problems


def _volumes(drives: Drives, path: bytes) -> list[_Found]:
    if not os.path.isdir(path):
        # (an open tells more than isdir does: why not)
        os.close(os.open(path, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0)))
    real = os.path.realpath(path)
    inside = drives.mounts_below(path)
    tops = [(path, real), *((os.path.join(path, os.path.relpath(mount, real)), mount) for mount in inside)]
    out: list[_Found] = []
    for named, top in tops:
        below = tuple(os.path.relpath(mount, top) for mount in inside if mount.startswith(top.rstrip(b"/") + b"/"))
        volume = drives.volume_of(named)
        out.append((named, volume, below, not volume.is_mount_root and not os.listdir(named)))
    return out


def _holds(outer: bytes, inner: bytes) -> bool:
    return inner.startswith(outer.rstrip(b"/") + b"/")


def _name(path: bytes, volume: Volume) -> str:
    if volume.is_mount_root and volume.label:
        return shown(volume.label.encode("utf-8", "backslashreplace"))
    return shown(os.path.basename(os.path.realpath(path)) or path)


def _number_devices(places: Sequence[Place]) -> None:
    """One number for each physical device; those that share a disk with it have the same. 0 where it is not known."""
    count = 0
    for place in places:
        if place.volume.device.key is None:
            continue
        same = next(
            (other for other in places if other.device and share_a_device(place.volume.device, other.volume.device)),
            None,
        )
        if same is None:
            count += 1
        place.device = same.device if same is not None else count


def _tell_apart(places: Sequence[Place]) -> None:
    """Two drives of one name get more of their paths."""
    for place in places:
        if sum(other.name == place.name for other in places) > 1:
            place.name = shown(place.path)


def by_device(places: Sequence[Place]) -> list[list[Place]]:
    """The places in groups that one worker each may work on; unknown devices by file system."""
    groups: dict[tuple[int, int], list[Place]] = {}
    for place in places:
        groups.setdefault((place.device, 0 if place.device else place.volume.st_dev), []).append(place)
    return list(groups.values())


def not_named(
    production: Production,
    places: Sequence[Place],
    told: Collection[str] = (),
    last_in_role: Callable[[str], str] = lambda role: "",
) -> list[Finding]:
    """A warning for each drive of the production file that is none of the places; those that were `told` of by their
    role have a finding already. A drive that the file names by its path alone may be mounted elsewhere today:
    `last_in_role` gives the volume that this station saw in a role, empty where it saw none."""
    out = []
    for drive in production.drives:
        serials = {(place.volume.serial or "").casefold() for place in places}
        real = os.path.realpath(os.fsencode(drive.path)) if drive.path is not None else b""
        if drive.volume:
            looked_at = any(identity.strip().casefold() in serials for identity in drive.volume)
        else:
            tops = [os.path.realpath(place.path) for place in places]
            looked_at = any(top == real or _holds(top, real) or _holds(real, top) for top in tops)
            looked_at = looked_at or last_in_role(drive.role).casefold() in serials - {""}
        if not looked_at and drive.role not in told:
            role = inert(drive.role)
            finding = warning(
                Kind.NOT_LOOKED_AT,
                f"the production file names the drive {role}, which was not looked at",
                drive=role,
                remedy="attach that drive too, and audit all of them together",
            )
            out.append(finding)
    return out


def _not_there(path: bytes, why: str, kind: Kind) -> Finding:
    return error(
        kind,
        f"no folder can be opened at {shown(path)} ({why})",
        path=shown(path),
        drive=shown(path),
        remedy="attach and mount the drive, check the path, and audit again",
    )
