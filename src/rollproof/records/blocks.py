"""From volumes as they are now to the blocks a record keeps of them, and back: is this still the same device?"""

from __future__ import annotations

import platform
import socket
from collections.abc import Iterable

import rollproof
from rollproof.models import names
from rollproof.models.volumes import Device, Evidence, MediumWay, Volume
from rollproof.records.models import CopyBlock, CopyState, DeviceBlock, SourceBlock, SourceRead, Station, VolumeBlock
from rollproof.storage.station import station_id


def device_block(device: Device) -> DeviceBlock:
    """What a record keeps of a device."""
    return DeviceBlock(
        key=device.key,
        kind=device.kind,
        model=device.model,
        serial=device.serial,
        size_bytes=device.size_bytes,
        beneath=device.beneath,
        label=device.label,
    )


def device_of(block: DeviceBlock) -> Device:
    """The device that a record speaks of."""
    return Device(
        block.key,
        block.kind,
        model=block.model,
        serial=block.serial,
        size_bytes=block.size_bytes,
        beneath=block.beneath,
        label=block.label,
    )


def volume_block(volume: Volume) -> VolumeBlock:
    """What a record keeps of a volume."""
    return VolumeBlock(
        label=volume.label,
        serial=volume.serial,
        capacity_bytes=volume.capacity_bytes,
        source=volume.source,
        number=volume.st_dev,
    )


def copy_block(
    volume: Volume, *, drive: str, role: str, state: CopyState, readback: Evidence | None, folder: bytes = b""
) -> CopyBlock:
    """The `copy` block for a copy on `volume`, as the volume is at the write.

    `readback` is the weakest evidence of the read-back, None when nothing was read back; `folder` the roll folder
    relative to the mount point.
    """
    return CopyBlock(
        drive=drive,
        role=role,
        state=state,
        device=device_block(volume.device),
        volume=volume_block(volume),
        file_system=volume.file_system,
        readback=readback,
        way=volume.way,
        timestamp_granularity_ns=volume.limits.timestamp_ns,
        boot_id=volume.boot_id,
        disk_sequence=volume.device.disk_sequence,
        folder=names.to_text(folder),
    )


def source_block(
    volume: Volume,
    *,
    reads: Iterable[tuple[Evidence, MediumWay] | Evidence],
    listing_digest: str,
    copy_folder: bytes | None = None,
) -> SourceBlock:
    """The `source` block for a card on `volume`; one entry of `reads` per full pass over it, in order.

    With `copy_folder`, the roll folder of a recorded copy on that volume, relative to the mount point.
    """
    passes = [read if isinstance(read, tuple) else (read, volume.way) for read in reads]
    return SourceBlock(
        volume_name=volume.label,
        serial=volume.serial,
        capacity_bytes=volume.capacity_bytes,
        boot_id=volume.boot_id,
        disk_sequence=volume.device.disk_sequence,
        file_system=volume.file_system,
        reads=tuple(SourceRead(evidence=evidence, way=way) for evidence, way in passes),
        listing_digest=listing_digest,
        device=device_block(volume.device),
        mount_point=names.to_text(volume.mount_point),
        number=volume.st_dev,
        read_only=volume.read_only,
        kind="card" if copy_folder is None else "copy",
        folder=names.to_text(copy_folder or b""),
    )


def this_station() -> Station:
    """The `station` block for the computer this runs on."""
    return Station(
        host=socket.gethostname(),
        tool="rollproof",
        version=rollproof.__version__,
        os=f"{platform.system()} {platform.release()}",
        id=station_id(),
    )


def same_device(copy: CopyBlock, now: Volume) -> bool:
    """Whether a record's copy block certainly speaks of this volume on this device.

    Identified devices: the same key and the same volume serial. A network share: the same share by the same protocol.
    A device that could not be told (memory, overlay): only the same mount in the same boot. Anything uncertain is
    False, which costs a `verify` and no footage.
    """
    then = copy.volume
    if then.serial != now.serial or copy.device.key != now.device.key:
        return False
    if now.device.key is not None:
        return True
    if copy.file_system != now.file_system:
        return False
    if now.device.kind == "network":
        return copy.device.kind == "network" and then.source == now.source
    same_boot = copy.boot_id is not None and copy.boot_id == now.boot_id
    return same_boot and then.number == now.st_dev and then.source == now.source
