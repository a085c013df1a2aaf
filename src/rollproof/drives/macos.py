"""`Drives` on macOS: the mount table, `diskutil`, `hdiutil` and `sysctl`, all handed in.

Not run on this system; behind the interface with unit tests on fakes. What macOS does not tell is left unknown:

- There is no disk sequence number, so a drive that was unplugged and plugged in again within one boot cannot be shown
  to have been away.
- `diskutil` tells no serial number of a device: devices are told apart by model, size and the identities written on
  them. Two clones of one disk count as one.
- A disk image is its own device; what a read of it is worth is unknown, for the image's file may be cached.
"""

from __future__ import annotations

import os
import plistlib
import re
from collections.abc import Callable, Mapping, Sequence
from xml.parsers.expat import ExpatError

from rollproof.drives import identity
from rollproof.drives.answers import Answer, entries, number, text
from rollproof.drives.interface import Partition
from rollproof.drives.limits import limits_for
from rollproof.drives.programs import Run, run
from rollproof.drives.ways import is_network, way_for
from rollproof.models.names import shown
from rollproof.models.volumes import Device, MediumWay, Volume
from rollproof.proof.devices import image_on
from rollproof.storage import macos_calls as mac
from rollproof.storage.macos_calls import MacosCalls, MountFacts

_DEPTH = 4  # a disk image on a disk image on …
_PC_CASE_SENSITIVE = 11  # sys/unistd.h
_SYSTEM_CONTENT = frozenset(
    {
        "EFI",
        "Apple_APFS_ISC",
        "Apple_APFS_Recovery",
        "Microsoft Reserved",
        "E3C9E316-0B5C-4DB8-817D-F92DF00215AE",  # the same, where diskutil has no name for it
    }
)
_UNKNOWN = Device(key=None, label="a device that could not be told")
_NETWORK = Device(key=None, kind="network", label="another machine on the network")
_MEMORY = Device(key=None, kind="memory", label="this computer's memory")


def _real(path: bytes) -> bytes:
    return os.path.realpath(path, strict=True)


def _device_number(path: bytes) -> int:
    return os.stat(path).st_dev


def _case_sensitive(path: bytes) -> bool | None:
    try:
        return os.pathconf(path, _PC_CASE_SENSITIVE) == 1
    except (OSError, ValueError):
        return None


def _plist(out: bytes) -> Answer:
    try:
        found = plistlib.loads(out)
    except (plistlib.InvalidFileException, ExpatError, ValueError, TypeError, LookupError, ArithmeticError):
        return {}
    except (AttributeError, AssertionError, RecursionError, MemoryError):
        return {}  # what else the library does with an answer that is none
    return found if isinstance(found, dict) else {}


class MacosDrives:
    """See `drives.interface.Drives`."""

    name = "macos"

    def __init__(
        self,
        calls: MacosCalls | None = None,
        run_program: Run = run,
        *,
        real_path: Callable[[bytes], bytes] = _real,
        device_number: Callable[[bytes], int] = _device_number,
        case_sensitive: Callable[[bytes], bool | None] = _case_sensitive,
    ) -> None:
        self._calls: MacosCalls = mac.SystemCalls() if calls is None else calls
        self._run = run_program
        self._real_path = real_path
        self._device_number = device_number
        self._case_sensitive = case_sensitive

    # --- the interface
    def volume_of(self, path: bytes) -> Volume:
        """See the interface."""
        real = self._real_path(path)
        return self._volume(self._calls.mount_of_path(real), real)

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See the interface."""
        chosen = [facts for facts in self._calls.mounts() if everything or _is_drive(facts)]
        found: list[Volume] = []
        for facts in sorted(chosen, key=lambda facts: facts.mount_point):
            try:
                found.append(self._volume(facts, facts.mount_point))
            except OSError:
                continue  # unmounted meanwhile
        return found

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See the interface."""
        if all(facts.mount_point != volume.mount_point for facts in self._calls.mounts()):
            return None, None
        return self._boot_id(), None

    def slept_seconds(self) -> float | None:
        """See the interface: not told here, nobody could try it."""
        return None

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See the interface. Other volumes of the same APFS container count: they lie on the medium too."""
        info = self._info(volume.source)
        listing = self._list()
        bases = _bases(info)
        disks = {self._whole(base) for base in bases}
        if not bases or "" in disks:
            return None
        own = {*bases, text(info, "DeviceIdentifier"), *_snapshot_parents(info)}
        found: list[Partition] = []
        seen: set[str] = set()
        for disk in entries(listing, "AllDisksAndPartitions"):
            name = text(disk, "DeviceIdentifier")
            if name in disks:
                seen.add(name)
                found += [self._partition(part) for part in entries(disk, "Partitions") if not _is_one_of(part, own)]
            if name == text(info, "APFSContainerReference") and name:
                found += [self._partition(part) for part in entries(disk, "APFSVolumes") if not _is_one_of(part, own)]
        return found if seen == disks else None

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See the interface."""
        top = self._real_path(path).rstrip(b"/") + b"/"
        points = {facts.mount_point for facts in self._calls.mounts()}
        return sorted(point for point in points if point.startswith(top) and point != top)

    # --- asking the system
    def _info(self, node: str) -> Answer:
        name = node.removeprefix("/dev/")
        if not re.fullmatch(r"disk\d+(s\d+)*", name):  # never a name that could be an option or a path
            return {}
        return _plist(self._run(["/usr/sbin/diskutil", "info", "-plist", name]))

    def _list(self) -> Answer:
        return _plist(self._run(["/usr/sbin/diskutil", "list", "-plist"]))

    def _images(self) -> dict[str, str]:
        """Whole disk → path of the image file it comes from."""
        found: dict[str, str] = {}
        for image in entries(_plist(self._run(["/usr/bin/hdiutil", "info", "-plist"])), "images"):
            path = image.get("image-path")
            for entity in entries(image, "system-entities"):
                node = re.fullmatch(r"/dev/(disk\d+)(s\d+)*", text(entity, "dev-entry"))
                if node and isinstance(path, str):
                    found[node[1]] = path
        return found

    def _boot_id(self) -> str | None:
        out = self._run(["/usr/sbin/sysctl", "-n", "kern.bootsessionuuid"]).strip().lower()
        return out.decode("ascii") if re.fullmatch(rb"[0-9a-f-]{36}", out) else None

    # --- volumes
    def _volume(self, facts: MountFacts, real: bytes) -> Volume:
        info = self._info(facts.source)
        file_system = facts.file_system
        if file_system.startswith(("fuse", "macfuse", "osxfuse", "lifs")):
            # a file system run by a program: named by what lies on the device, and never known to reach it
            file_system = f"fuse.{text(info, 'FilesystemType') or 'unknown'}".lower()
        device = self._device(facts, _DEPTH)
        read_only = bool(facts.flags & mac.MNT_RDONLY)
        options = frozenset(
            word
            for word, flag in (("ro", mac.MNT_RDONLY), ("local", mac.MNT_LOCAL), ("nobrowse", mac.MNT_DONTBROWSE))
            if facts.flags & flag
        )
        return Volume(
            mount_point=facts.mount_point,
            mount_root=b"/",
            source=facts.source,
            file_system=file_system,
            options=options,
            read_only=read_only,
            capacity_bytes=facts.capacity_bytes,
            free_bytes=facts.free_bytes,
            serial=text(info, "VolumeUUID").lower() or None,
            label=text(info, "VolumeName"),
            device=device,
            st_dev=self._device_number(facts.mount_point),
            is_mount_root=real == facts.mount_point,
            way=MediumWay.NONE if device.kind == "loop" else way_for(file_system, options, device, "macos"),
            limits=limits_for(
                file_system,
                options=options,
                allocation_bytes=number(info, "VolumeAllocationBlockSize") or facts.block_bytes,
                system="macos",
                case_sensitive=self._case_sensitive(facts.mount_point),
            ),
            boot_id=self._boot_id(),
        )

    # --- devices
    def _device(self, facts: MountFacts, depth: int) -> Device:
        if is_network(facts.file_system):
            return _NETWORK
        info = self._info(facts.source)
        disks = list(dict.fromkeys(self._whole(base) for base in _bases(info)))
        if not disks or "" in disks:
            return _UNKNOWN
        listing, images = self._list(), self._images()
        found = [self._disk(disk, listing, images, depth) for disk in disks]
        return found[0] if len(found) == 1 else _set_of(found, facts.source)

    def _whole(self, base: str) -> str:
        return text(self._info(base), "ParentWholeDisk")

    def _disk(self, disk: str, listing: Answer, images: Mapping[str, str], depth: int) -> Device:
        info = self._info(disk)
        node = f"/dev/{disk}"
        size = number(info, "Size", "TotalSize")
        if disk in images or text(info, "BusProtocol") == "Disk Image":
            return self._image(node, size, images.get(disk), depth)
        if text(info, "VirtualOrPhysical") == "Virtual":
            return _UNKNOWN
        model = text(info, "MediaName", "IORegistryEntryName").strip()
        solid = info.get("SolidState")
        return Device(
            key=identity.bridge_key(model, "", size, _written_id(disk, listing)),
            kind="disk",
            node=node,
            model=model,
            size_bytes=size,
            rotational=not solid if isinstance(solid, bool) else None,
            label=f"{model} ({node})" if model else f"disk {node}",
        )

    def _image(self, node: str, size: int | None, path: str | None, depth: int) -> Device:
        if path is None:
            return Device(key=None, kind="loop", node=node, size_bytes=size, label=f"a disk image ({node})")
        if path.startswith("ram:"):
            return Device(key=None, kind="memory", node=node, size_bytes=size, label=f"{_MEMORY.label} ({node})")
        try:
            lower = self._device(self._calls.mount_of_path(os.fsencode(path)), depth - 1) if depth else _UNKNOWN
        except OSError:
            lower = _UNKNOWN
        name = shown(os.fsencode(path))
        own_key = identity.image_key(lower.key, name)
        key, kind, cached = image_on(lower, own_key, own_disk=not path.startswith("/Volumes/"))
        return Device(
            key=key,
            kind=kind,
            cached_beneath=cached,
            node=node,
            size_bytes=size,
            beneath=lower.key,
            label=f"disk image {os.path.basename(name)} on {lower.label}",
        )

    def _partition(self, part: Answer) -> Partition:
        name = text(part, "DeviceIdentifier")
        part_number = re.fullmatch(r"disk\d+s(\d+)", name)
        content = text(part, "Content")
        mounted = part.get("MountPoint")
        return Partition(
            node=f"/dev/{name}",
            number=int(part_number[1])
            if part_number and content
            else None,  # volumes of a container are not numbered parts
            size_bytes=number(part, "Size") or 0,
            file_system=text(self._info(name), "FilesystemType").lower() or None,
            label=text(part, "VolumeName"),
            mount_points=(os.fsencode(mounted),) if isinstance(mounted, str) and mounted else (),
            is_system=content in _SYSTEM_CONTENT,
        )


def _is_drive(facts: MountFacts) -> bool:
    if facts.flags & mac.MNT_DONTBROWSE:
        return False
    return facts.source.startswith("/dev/disk") or is_network(facts.file_system)


def _is_one_of(part: Answer, names: set[str]) -> bool:
    return text(part, "DeviceIdentifier") in names


def _bases(info: Answer) -> list[str]:
    """The partitions a volume stands on: itself, or the physical stores of its APFS container."""
    stores = [text(store, "APFSPhysicalStore", "DeviceIdentifier") for store in entries(info, "APFSPhysicalStores")]
    if stores:
        return stores
    if text(info, "APFSContainerReference"):
        return []  # a container that does not tell its stores
    own = text(info, "DeviceIdentifier")
    return [own] if own else []


def _snapshot_parents(info: Answer) -> list[str]:
    """The volume a mounted snapshot (`disk3s1s1`, as the system's own volume is) belongs to."""
    found = re.fullmatch(r"(disk\d+s\d+)s\d+", text(info, "DeviceIdentifier"))
    return [found[1]] if found else []


def _written_id(disk: str, listing: Answer) -> str:
    """The identities written on a disk: the same whichever of its partitions was asked about."""
    for entry in entries(listing, "AllDisksAndPartitions"):
        if text(entry, "DeviceIdentifier") == disk:
            found = [text(part, "DiskUUID", "VolumeUUID") for part in (entry, *entries(entry, "Partitions"))]
            return ",".join(sorted(one.lower() for one in found if one))
    return ""


def _set_of(disks: Sequence[Device], node: str) -> Device:
    sizes = [disk.size_bytes for disk in disks]
    turning = [disk.rotational for disk in disks]
    return Device(
        key=identity.joined([disk.key for disk in disks]),
        kind="disk" if all(disk.kind == "disk" for disk in disks) else "unknown",
        node=node,
        size_bytes=None if None in sizes else sum(size for size in sizes if size),
        rotational=None if None in turning else any(turning),
        label=f"a set of {len(disks)} disks ({'; '.join(disk.label for disk in disks)})",
    )
