"""`Drives` on Windows: which volume holds a path by Win32, everything else by one PowerShell question.

Not run on this system; behind the interface with unit tests on fakes. What Windows does not tell is left unknown:

- There is no disk sequence number, so a drive that was unplugged and plugged in again within one boot cannot be shown
  to have been away. The boot id is the system's own count of boots, never the time of the last one: that time moves
  when somebody sets the clock.
- Storage pools, dynamic disks and mirrors hide their disks: such a device is unknown.
- A virtual disk is its own device; what a read of it is worth is unknown, for its file may be cached.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from rollproof.drives import identity
from rollproof.drives.answers import Answer, entries, number, text, texts
from rollproof.drives.interface import Partition
from rollproof.drives.limits import limits_for
from rollproof.drives.programs import Run, run
from rollproof.drives.ways import way_for
from rollproof.drives.windows_answers import VOLUME_PATH, Machine, ask
from rollproof.models.names import inert
from rollproof.models.volumes import Device, MediumWay, Volume
from rollproof.proof.devices import image_on
from rollproof.proof.identity import is_placeholder
from rollproof.storage import windows_calls as win
from rollproof.storage.windows_calls import Win32Calls, Win32Failure

# MSFT_Disk.BusType
_BUS_USB, _BUS_ISCSI, _BUS_VIRTUAL, _BUS_FILE, _BUS_POOL = 7, 9, 14, 15, 16
# MSFT_Disk.UniqueIdFormat: EUI-64 and NAA names are given by the maker to one device only
_OWN_NAMES = {2: "eui", 3: "naa"}
_DRIVE_TYPES_SHOWN = frozenset({2, 3, 5})  # Win32_Volume.DriveType: removable, local, optical
_SYSTEM_TYPES = frozenset(
    {
        "{c12a7328-f81f-11d2-ba4b-00a0c93ec93b}",  # EFI system (UEFI specification, 5.3.3)
        "{e3c9e316-0b5c-4db8-817d-f92df00215ae}",  # reserved by Windows; holds no file system
    }
)
_UNKNOWN = Device(key=None, label="a device that could not be told")
_NETWORK = Device(key=None, kind="network", label="another machine on the network")


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a path really lies: the volume (`\\\\?\\Volume{…}`, or None on the network) and the path below it."""

    volume: str | None
    below: str
    real: str
    serial: int


class WindowsDrives:
    """See `drives.interface.Drives`."""

    name = "windows"

    def __init__(self, calls: Win32Calls | None = None, run_program: Run = run) -> None:
        if calls is None:
            from rollproof.storage.windows_kernel import SystemCalls  # noqa: PLC0415 - raises off Windows

            calls = SystemCalls()
        self._calls = calls
        self._run = run_program

    # --- the interface
    def volume_of(self, path: bytes) -> Volume:
        """See the interface."""
        return self._volume(self._place(path), ask(self._run))

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See the interface."""
        machine = ask(self._run)
        found: list[Volume] = []
        for answer in entries(machine.answer, "volumes"):
            name, place = text(answer, "Name"), text(answer, "DeviceID")
            if not everything and (name.startswith("\\\\?\\") or answer.get("DriveType") not in _DRIVE_TYPES_SHOWN):
                continue  # no letter and no folder: nothing a person would call a drive
            try:
                found.append(self._volume(self._place(os.fsencode(place)), machine))
            except OSError:
                if everything:
                    found.append(_bare(answer, machine))  # an empty card reader, or one that is locked
        return sorted(found, key=lambda volume: volume.mount_point)

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See the interface."""
        try:
            self._place(volume.mount_point)
        except OSError:
            return None, None
        return ask(self._run).boot_id(), None

    def slept_seconds(self) -> float | None:
        """See the interface: not told here, nobody could try it."""
        return None

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See the interface."""
        machine = ask(self._run)
        own = machine.partitions_of(volume.source)
        if len(own) != 1:
            return None
        disk = own[0].get("DiskNumber")
        if disk is None or number(machine.disk(own[0]), "Bus") in (None, _BUS_POOL):
            return None
        found = entries(machine.answer, "partitions")
        return [_partition(part, machine) for part in found if part.get("DiskNumber") == disk and part is not own[0]]

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See the interface. Volumes mounted in a folder; a letter is never below another."""
        top = self._place(path).real.rstrip("\\").lower() + "\\"
        names = {text(answer, "Name").rstrip("\\") for answer in entries(ask(self._run).answer, "volumes")}
        return sorted(
            _as_bytes(name) for name in names if (name + "\\").lower().startswith(top) and len(name) >= len(top)
        )

    # --- asking the system
    def _place(self, path: bytes) -> _Place:
        calls = self._calls
        try:
            given = path.decode("utf-8", "surrogatepass")
            if VOLUME_PATH.fullmatch(given.rstrip("\\")):
                full = given.rstrip("\\") + "\\"  # the top folder; without the backslash it would be the raw volume
            else:
                full = win.verbatim(calls.full_path(given))
            with self._opened(full) as handle:
                serial = calls.file_information(handle).volume_serial
                real = calls.final_path(handle, win.FILE_NAME_DOS) if _has_letter(calls, handle) else ""
                try:
                    by_volume = calls.final_path(handle, win.FILE_NAME_OPENED_GUID)
                except Win32Failure:
                    by_volume = ""  # a network share
        except UnicodeDecodeError:
            raise FileNotFoundError(errno.ENOENT, "Windows has no such name", path) from None
        except Win32Failure as failure:
            raise failure.as_os_error(path) from failure
        volume = VOLUME_PATH.match(by_volume)
        below = by_volume[volume.end() :] if volume else ""
        return _Place(volume[0] if volume else None, below, _plain(real or by_volume), serial)

    @contextmanager
    def _opened(self, path: str) -> Iterator[int]:
        flags = win.FLAG_BACKUP_SEMANTICS  # folders too; links are followed: the real path is asked for
        handle = self._calls.create_file(path, win.FILE_READ_ATTRIBUTES, win.SHARE_ALL, win.OPEN_EXISTING, flags)
        try:
            yield handle
        finally:
            self._calls.close_handle(handle)

    # --- volumes
    def _volume(self, place: _Place, machine: Machine) -> Volume:
        answer = machine.volume(place.volume) if place.volume else {}
        if place.volume:
            name = text(answer, "Name")
            mount = name if name and not name.startswith("\\\\?\\") else place.volume + "\\"
            source = place.volume
        else:
            share = re.match(r"\\\\[^\\]+\\[^\\]+", place.real)
            mount = source = share[0] if share else place.real
        top = win.verbatim(source).rstrip("\\") + "\\"
        try:
            told = self._calls.volume_information(top)
            free, capacity = self._calls.disk_space(top)
        except Win32Failure as failure:
            raise failure.as_os_error(_as_bytes(mount)) from failure
        file_system = told.file_system.lower() if place.volume else "cifs"  # a share shows the server's file system
        device = self._device(place.volume, machine) if place.volume else _NETWORK
        options: frozenset[str] = frozenset()
        return Volume(
            mount_point=_as_bytes(mount.rstrip("\\") + "\\"),
            mount_root=b"/",
            source=source,
            file_system=file_system,
            options=options,
            read_only=bool(told.flags & win.VOLUME_IS_READ_ONLY),
            capacity_bytes=capacity,
            free_bytes=free,
            serial=_written_serial(file_system, place.serial),
            label=inert(told.label),
            device=device,
            st_dev=place.serial,
            is_mount_root=bool(place.volume) and place.below.strip("\\") == "",
            way=MediumWay.NONE if device.kind == "loop" else way_for(file_system, options, device, "windows"),
            limits=limits_for(file_system, allocation_bytes=number(answer, "BlockSize"), system="windows"),
            boot_id=machine.boot_id(),
        )

    # --- devices
    def _device(self, volume: str, machine: Machine) -> Device:
        parts = machine.partitions_of(volume)
        if len(parts) != 1:
            return _UNKNOWN  # no partition, or several: a set of disks that Windows does not spell out here
        disk = machine.disk(parts[0])
        bus, size, model = number(disk, "Bus"), number(disk, "Size"), text(disk, "Model", "FriendlyName")
        node = f"\\\\.\\PhysicalDrive{disk.get('Number')}"
        if not disk or bus in (None, _BUS_POOL, _BUS_VIRTUAL):
            return _UNKNOWN
        if bus == _BUS_FILE:
            return self._image(disk, node, size, machine)
        serial = text(disk, "SerialNumber").rstrip(".")
        own, kind_of_name = text(disk, "UniqueId"), _OWN_NAMES.get(number(disk, "UniqueIdFormat") or 0)
        if kind_of_name and bus != _BUS_USB and not is_placeholder(own):
            key: str | None = identity.own_name_key(kind_of_name, own.lower())
        else:
            key = identity.bridge_key(model, serial, size, _written_id(disk))
        return Device(
            key=key,
            kind="network" if bus == _BUS_ISCSI else "disk",
            node=node,
            model=model,
            serial=serial,
            size_bytes=size,
            rotational=machine.rotational(disk),
            label=f"{model} ({node})" if model else f"disk {node}",
        )

    def _image(self, disk: Answer, node: str, size: int | None, machine: Machine) -> Device:
        path = text(disk, "Location")
        lower = _UNKNOWN
        if path:
            try:
                below = self._place(_as_bytes(path)).volume
            except OSError:
                below = None
            # one level only: a disk image on a disk image has an unknown disk beneath
            on = machine.partitions_of(below) if below else []
            if below and on and number(machine.disk(on[0]), "Bus") != _BUS_FILE:
                lower = self._device(below, machine)
        name = path.rpartition("\\")[2] or node
        own_disk = path[:2].casefold() == os.environ.get("SYSTEMDRIVE", "C:").casefold()
        key, kind, cached = image_on(lower, identity.image_key(lower.key, path), own_disk=own_disk and bool(path))
        return Device(
            key=key,
            kind=kind,
            cached_beneath=cached,
            node=node,
            size_bytes=size,
            beneath=lower.key,
            label=f"disk image {name} on {lower.label}",
        )


def _has_letter(calls: Win32Calls, handle: int) -> bool:
    try:
        calls.final_path(handle, win.FILE_NAME_DOS)
    except Win32Failure:
        return False  # a volume without a letter or folder
    return True


def _plain(path: str) -> str:
    if path.upper().startswith("\\\\?\\UNC\\"):
        return "\\\\" + path[8:]
    return path if VOLUME_PATH.match(path) else path.removeprefix("\\\\?\\")


def _as_bytes(path: str) -> bytes:
    return path.encode("utf-8", "surrogatepass")


def _written_serial(file_system: str, serial: int) -> str | None:
    """The serial number as other systems write it: 64 bits for NTFS, two halves of 32 bits for FAT and exFAT."""
    if not serial:
        return None
    if file_system in {"exfat", "fat", "fat32"}:
        return f"{serial >> 16 & 0xFFFF:04X}-{serial & 0xFFFF:04X}"
    return f"{serial:016X}"


def _written_id(disk: Answer) -> str:
    """What tells one disk's content from another's: the partition table's id."""
    guid = text(disk, "Guid").strip("{}").lower()
    signature = number(disk, "Signature")
    return guid or (f"{signature:08x}" if signature else "")


def _partition(part: Answer, machine: Machine) -> Partition:
    paths = texts(part, "AccessPaths")
    volume = next((machine.volume(path) for path in paths if VOLUME_PATH.match(path)), {})
    return Partition(
        node=f"\\\\.\\PhysicalDrive{part.get('DiskNumber')} partition {part.get('PartitionNumber')}",
        number=number(part, "PartitionNumber"),
        size_bytes=number(part, "Size") or 0,
        file_system=text(volume, "FileSystem").lower() or None,
        label=text(volume, "Label"),
        mount_points=tuple(sorted(_as_bytes(path) for path in paths if not path.startswith("\\\\?\\"))),
        is_system=text(part, "GptType").lower() in _SYSTEM_TYPES,
    )


def _bare(answer: Answer, machine: Machine) -> Volume:
    """A volume that does not open: the bare facts, with capacity 0."""
    name = text(answer, "Name", "DeviceID")
    return Volume(
        mount_point=_as_bytes(name),
        mount_root=b"/",
        source=text(answer, "DeviceID").rstrip("\\"),
        file_system=text(answer, "FileSystem").lower() or "unknown",
        options=frozenset(),
        read_only=False,
        capacity_bytes=0,
        free_bytes=0,
        serial=None,
        label=text(answer, "Label"),
        device=_UNKNOWN,
        st_dev=0,
        boot_id=machine.boot_id(),
    )
