"""`rollproof drives`: which volumes are attached, on which device each lies, and what each is in the production."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from rollproof.card.likeness import looks_like_a_card
from rollproof.drives.cached_pages import INSTALL, lacks_right
from rollproof.drives.interface import Drives
from rollproof.drives.system_place import is_one_of, own_volumes
from rollproof.drives.ways import way_in_words
from rollproof.models.names import is_text, to_base64, to_text
from rollproof.models.volumes import MediumWay, Volume
from rollproof.proof.devices import share_a_device

_LOOK_SECONDS = 1.0

ProductionDrive = tuple[str, bytes | None, Sequence[str], bool]
"""(role, folder of the production's drive or None, identities of its volumes, whether this computer's own disk is
meant), as the production file has them."""


class DriveOut(BaseModel):
    """One attached volume. Texts are as read from the system: make them inert before they reach a screen."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    mount_point: str
    """Where it is mounted; lossy when it is not valid UTF-8, then `mount_point_b64` has the exact bytes."""
    mount_point_b64: str | None = None
    label: str
    """The volume's name, empty when it has none."""
    file_system: str
    """Lower case; `fuse.exfat` is exFAT through FUSE."""
    volume: str | None
    """Identity of the volume: UUID or serial number; None when it could not be read."""
    device: str
    """The physical device as a person would name it."""
    device_key: str | None
    """What tells the device from others; None when it could not be told."""
    serial: str
    """Serial number of the device or of its bridge, empty when it shows none."""
    kind: str
    """`disk`, `loop` (a disk image), `network`, `memory` or `unknown`."""
    capacity_bytes: int
    """0 when the volume did not answer in time."""
    free_bytes: int
    read_only: bool
    readback: Literal["medium", "server", "cache"]
    """The best evidence a read-back there can earn without unplugging the drive."""
    readback_words: str
    """The same as a sentence."""
    lacks_right: bool = False
    """Whether a read there is `cache` only because this person does not own the device's node."""
    refused: bool = False
    """Whether this person may not look into it at all."""
    role: str | None = None
    """Its role in the production, None without a production or when it has none."""
    known: str = ""
    """What this station remembers of it, as a sentence; empty where it has no memory."""
    card: bool = False
    """Whether it looks like a card: no role, no records of ours, and picture or sound as a camera lays it out."""
    same_device_as: list[str] = []
    """Mount points of other listed volumes on the same device: together they count as one copy."""


class MissingDrive(BaseModel):
    """A drive of the production that is not attached."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    role: str
    path: str | None
    volume: str | None


class DrivesResult(BaseModel):
    """Everything `rollproof drives` has to say."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    drives: list[DriveOut]
    missing: list[MissingDrive]
    install: list[str] = []
    """Commands that give the right that some of the drives lack, once on this computer."""

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


def list_drives(
    drives: Drives,
    production: Sequence[ProductionDrive] | None = None,
    *,
    everything: bool = False,
    known: Callable[[Volume], str] = lambda volume: "",
) -> DrivesResult:
    """The attached volumes and the production's drives that are not among them.

    A volume has a role when its identity is the production's; where the production names no identity, when the
    production's folder lies on it (this computer's own disk is a drive that is away, unless it is meant). With
    `everything`, memory and system mounts are listed too. `known` tells what the station remembers of a volume.
    """
    found = drives.volumes(everything=everything)
    roles: dict[int, str] = {}
    missing: list[MissingDrive] = []
    own = own_volumes(drives) if production else []
    for role, path, identities, system_disk in production or ():
        index = _find(drives, found, path, identities, () if system_disk else own)
        if index is None:
            volume = " or ".join(identities) or None
            missing.append(MissingDrive(role=role, path=None if path is None else to_text(path), volume=volume))
        else:
            roles[index] = f"{roles[index]}, {role}" if index in roles else role
    cards = _cards(
        [volume.mount_point for index, volume in enumerate(found) if index not in roles and volume.capacity_bytes]
    )
    return DrivesResult(
        drives=[
            _out(index, volume, found, roles.get(index), known(volume)).model_copy(
                update={"card": volume.mount_point in cards}
            )
            for index, volume in enumerate(found)
        ],
        missing=missing,
        install=list(INSTALL) if any(lacks_right(volume) for volume in found) else [],
    )


def _cards(mount_points: Sequence[bytes]) -> set[bytes]:
    """Those that look like cards; the looks together take at most a second, and one that hangs is not waited for."""
    found: set[bytes] = set()

    def look(mount_point: bytes) -> None:
        if mount_point != b"/" and looks_like_a_card(mount_point):
            found.add(mount_point)

    threads = [threading.Thread(target=look, args=(each,), daemon=True) for each in mount_points]
    for thread in threads:
        thread.start()
    ends_at = time.monotonic() + _LOOK_SECONDS
    for thread in threads:
        thread.join(max(0.0, ends_at - time.monotonic()))
    return set(found)


def _find(
    drives: Drives, found: Sequence[Volume], path: bytes | None, identities: Sequence[str], own: Sequence[Volume]
) -> int | None:
    if identities:
        wanted = {identity.strip().casefold() for identity in identities}
        same = (index for index, volume in enumerate(found) if (volume.serial or "").casefold() in wanted)
        return next(same, None)
    if path is None:
        return None
    try:
        there = drives.volume_of(path)
    except OSError:
        return None
    if is_one_of(there, own):
        return None  # what a drive that is away leaves behind: an offload refuses it too
    same = (index for index, volume in enumerate(found) if volume.st_dev == there.st_dev)
    return next(same, None)


def _out(index: int, volume: Volume, found: Sequence[Volume], role: str | None, known: str) -> DriveOut:
    beside = [
        to_text(other.mount_point)
        for place, other in enumerate(found)
        if place != index and share_a_device(volume.device, other.device)
    ]
    return DriveOut(
        mount_point=to_text(volume.mount_point),
        mount_point_b64=None if is_text(volume.mount_point) else to_base64(volume.mount_point),
        label=volume.label,
        file_system=volume.file_system,
        volume=volume.serial,
        device=volume.device.label or volume.device.node,
        device_key=volume.device.key,
        serial=volume.device.serial,
        kind=volume.device.kind,
        capacity_bytes=volume.capacity_bytes,
        free_bytes=volume.free_bytes,
        read_only=volume.read_only,
        readback="cache" if lacks_right(volume) else _evidence(volume.way),
        readback_words=way_in_words(MediumWay.NONE if lacks_right(volume) else volume.way),
        lacks_right=lacks_right(volume),
        refused=volume.refused,
        role=role,
        known=known,
        same_device_as=beside,
    )


def _evidence(way: MediumWay) -> Literal["medium", "server", "cache"]:
    if way is MediumWay.NONE:
        return "cache"
    return "server" if way is MediumWay.SERVER else "medium"
