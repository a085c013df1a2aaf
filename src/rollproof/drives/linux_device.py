"""From block devices to one `Device`: the disks at the bottom, their key, and how a person would name them."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rollproof.drives import identity
from rollproof.drives.probe import known_id
from rollproof.drives.sysfs import BlockDevices
from rollproof.models.names import inert, shown
from rollproof.models.volumes import Device
from rollproof.proof.devices import image_on
from rollproof.proof.identity import is_placeholder


@dataclass(frozen=True, slots=True)
class Beneath:
    """What a disk image's file lies on, and whether that is the computer's own disk."""

    device: Device
    own_disk: bool


@dataclass(frozen=True, slots=True)
class Probe:
    """Asks what is written on a block device (keys as of `blkid -o export`)."""

    ask: Callable[[bytes], Mapping[str, str]]

    def written_id(self, block: BlockDevices, disk: bytes) -> str:
        """What tells one disk's content from another's: the partition table's id, else the volumes' UUIDs."""
        found = self.ask(disk)
        whole = known_id(found.get("PTUUID")) or known_id(found.get("UUID"))
        if whole:
            return whole
        uuids = (known_id(self.ask(part).get("UUID")) for part in block.partitions(disk))
        return ",".join(sorted(uuid for uuid in uuids if uuid))


def unknown_device(file_system: str) -> Device:
    """What stands for the device below a file system that does not tell: overlay, tmpfs, plain FUSE."""
    if file_system in {"tmpfs", "ramfs", "devtmpfs"}:
        return Device(key=None, kind="memory", label="this computer's memory")
    return Device(key=None, label="a device that could not be told")


def network_device() -> Device:
    """What stands for the disks of another machine."""
    return Device(key=None, kind="network", label="another machine on the network")


def device_on(
    block: BlockDevices,
    top: bytes,
    members: list[bytes],
    probe: Probe,
    beneath: Callable[[bytes], Beneath | None],
) -> Device:
    """The device below the block device `top`; `members` are all devices of its file system (one, save on btrfs).

    `beneath` answers for what a disk image's file lies on.
    """
    bases = [base for member in members for base in block.bases(member)]
    disks = [_disk(block, disk, probe, beneath) for disk in dict.fromkeys(map(block.disk_of, bases))]
    if len(disks) == 1:
        return disks[0]
    turning = [disk.rotational for disk in disks]
    kinds = {disk.kind for disk in disks}
    return Device(
        key=identity.joined([disk.key for disk in disks]),
        kind=kinds.pop() if len(kinds) == 1 else "unknown",
        node=block.node(top),
        model="",
        serial=", ".join(disk.serial for disk in disks if disk.serial),
        size_bytes=sum(block.size_bytes(member) or 0 for member in members) or None,
        rotational=None if None in turning else any(turning),
        # of several disks one may have stayed while another was away: no single number shows anything
        disk_sequence=None,
        beneath=identity.joined([disk.beneath for disk in disks]) if any(disk.beneath for disk in disks) else None,
        label=f"a set of {len(disks)} disks ({'; '.join(disk.label for disk in disks)})",
        cached_beneath=any(disk.cached_beneath for disk in disks),
    )


def _disk(block: BlockDevices, disk: bytes, probe: Probe, beneath: Callable[[bytes], Beneath | None]) -> Device:
    backing = block.backing_file(disk)
    if backing is not None:
        return _image(block, disk, backing, beneath(backing))
    node, size = block.node(disk), block.size_bytes(disk)
    if block.is_memory(disk):
        return Device(key=None, kind="memory", node=node, size_bytes=size, label=f"this computer's memory ({node})")
    model, serial = inert(block.model(disk)), inert(block.serial(disk))
    own = block.own_name(disk)
    key: str | None
    if own is not None and not is_placeholder(own[1].rpartition(":")[2]):
        key = identity.own_name_key(*own)
    else:
        key = identity.bridge_key(model, serial, size, probe.written_id(block, disk))
    return Device(
        key=key,
        kind="network" if block.is_network(disk) else "disk",
        node=node,
        model=model,
        serial=serial,
        size_bytes=size,
        rotational=block.rotational(disk),
        disk_sequence=block.disk_sequence(disk),
        label=f"{model} ({node})" if model else f"disk {node}",
    )


def _image(block: BlockDevices, disk: bytes, backing: bytes, found: Beneath | None) -> Device:
    lower = found.device if found is not None else None
    own_key = identity.image_key(lower.key if lower else None, shown(backing))
    key, kind, cached = image_on(lower, own_key, own_disk=found is not None and found.own_disk)
    where = lower.label if lower is not None else "a device that could not be told"
    return Device(
        key=key,
        kind=kind,
        node=block.node(disk),
        size_bytes=block.size_bytes(disk),
        rotational=None,  # what a loop device says of itself is no fact about a disk
        disk_sequence=block.disk_sequence(disk),
        beneath=lower.key if lower else None,
        label=f"disk image {shown(os.path.basename(backing))} on {where}",
        cached_beneath=cached,
    )
