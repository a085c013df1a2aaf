"""`Drives` on Linux: mountinfo, `/sys`, blkid or udev. Every root and call is handed in, so tests can be machines."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from rollproof.drives import mountinfo, probe
from rollproof.drives.cached_pages import may_see_cached_pages
from rollproof.drives.interface import Partition
from rollproof.drives.limits import limits_for
from rollproof.drives.linux_device import Beneath, Probe, device_on, network_device, unknown_device
from rollproof.drives.mountinfo import Mount
from rollproof.drives.sysfs import BlockDevices
from rollproof.drives.ways import THROUGH_DEVICE_PAGES, is_network, way_for
from rollproof.models.names import to_text
from rollproof.models.volumes import Device, Volume
from rollproof.proof.devices import share_a_device

_VOLUME_SECONDS = 12.0  # longer than blkid may take
_MOUNT_SECONDS = 1.0  # for all mounts together: a dead share or a stopped FUSE daemon has nothing to do with the job
_NOT_A_DRIVE = frozenset({"squashfs", "erofs", "overlay", "tmpfs", "ramfs", "autofs", "rootfs", "nsfs", "fuse.portal"})
_SYSTEM_PLACES = (b"/boot", b"/efi", b"/snap", b"/var/lib/docker", b"/var/lib/snapd")
_OWN_DISK = frozenset({b"/", b"/home", b"/root", b"/usr", b"/var", b"/tmp"})
"""Where the computer's own disks are mounted; another partition of the disk with the system is its own, too."""
_SYSTEM_PARTITIONS = frozenset(
    {
        "0xef",
        "c12a7328-f81f-11d2-ba4b-00a0c93ec93b",  # EFI system (UEFI specification, 5.3.3)
        "e3c9e316-0b5c-4db8-817d-f92df00215ae",  # reserved by Windows; holds no file system
    }
)


def _space(path: bytes) -> tuple[int, int, int]:
    found = os.statvfs(path)
    return found.f_blocks * found.f_frsize, found.f_bavail * found.f_frsize, found.f_frsize


def _reserved(path: bytes) -> int:
    """Free blocks that only the system may take (ext4 keeps some for root and for its own growth)."""
    try:
        found = os.statvfs(path)
    except OSError:
        return 0
    return max(0, found.f_bfree - found.f_bavail) * found.f_frsize


def _real(path: bytes) -> bytes:
    return os.path.realpath(path, strict=True)


def _device_number(path: bytes) -> int:
    return os.stat(path).st_dev


def _mount_id(path: bytes) -> int | None:
    """The id of the mount that really holds a path: right even where one mount covers another."""
    try:
        handle = os.open(path, os.O_PATH | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        with open(f"/proc/self/fdinfo/{handle}", "rb") as lines:
            for line in lines:
                if line.startswith(b"mnt_id:"):
                    return int(line.split()[1])
    except (OSError, ValueError):
        pass  # no /proc: the longest match must do
    finally:
        os.close(handle)
    return None


def _slept_seconds() -> float:
    """The one clock goes on while the computer sleeps, the other stands still (clock_gettime(2))."""
    return time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)


@dataclass(frozen=True, slots=True)
class Calls:
    """The questions to the running system that cannot be answered from files below a root."""

    real_path: Callable[[bytes], bytes] = _real
    device_number: Callable[[bytes], int] = _device_number
    space: Callable[[bytes], tuple[int, int, int]] = _space
    """(capacity, free, allocation unit) in bytes."""
    reserved: Callable[[bytes], int] = _reserved
    mount_id: Callable[[bytes], int | None] = _mount_id
    file_system_uuid: Callable[[bytes], str | None] = probe.file_system_uuid
    blkid: Callable[[str], Mapping[str, str]] = probe.run_blkid
    may_see_cached_pages: Callable[[str], bool] = may_see_cached_pages
    slept_seconds: Callable[[], float] = _slept_seconds


class LinuxDrives:
    """See `drives.interface.Drives`. `root` is where `/proc`, `/sys`, `/dev` and `/run` are looked for."""

    name = "linux"

    def __init__(self, root: bytes = b"/", calls: Calls | None = None) -> None:
        self._root = root
        self._calls = calls or Calls()
        self._block = BlockDevices(root)

    # --- the interface
    def volume_of(self, path: bytes) -> Volume:
        """See the interface."""
        real = self._calls.real_path(path)
        mounts = self._mounts()
        mount_id = self._calls.mount_id(real)
        mount = next((found for found in mounts if found.mount_id == mount_id), None)
        mount = mount or mountinfo.mount_of(mounts, real)
        if mount is None:
            raise FileNotFoundError(2, "no mounted file system holds this path", to_text(path))
        return self._volume(mount, real, mounts)

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See the interface."""
        mounts = self._mounts()
        chosen: dict[tuple[tuple[int, int], str], Mount] = {}
        for mount in mounts:
            if not everything and not self._is_drive(mount):
                continue
            # a file system mounted in several places appears once: where its own top is, else where it came first
            known = chosen.get((mount.device, mount.file_system))
            if known is None or (mount.root == b"/" and known.root != b"/"):
                chosen[mount.device, mount.file_system] = mount
        wanted = sorted(mounts if everything else chosen.values(), key=lambda found: found.mount_point)
        return self._volumes_in_time(wanted, mounts)

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See the interface."""
        here = [mount for mount in self._mounts() if mount.mount_point == volume.mount_point]
        if not here:
            return None, None
        device = self._block_device(here[-1])
        return self._boot_id(), None if device is None else self._sequence(self._members(device))

    def slept_seconds(self) -> float | None:
        """See the interface."""
        return self._calls.slept_seconds()

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See the interface."""
        mounts = self._mounts()
        here = [mount for mount in mounts if mount.mount_point == volume.mount_point]
        device = self._block_device(here[-1]) if here else None
        if device is None:
            return None
        bases = [base for member in self._members(device) for base in self._block.bases(member)]
        disks = list(dict.fromkeys(self._block.disk_of(base) for base in bases))
        if any(self._block.is_window(disk) or self._block.is_network(disk) for disk in disks):
            return None  # there may be more than this system is shown
        others = [part for disk in disks for part in self._block.partitions(disk) if part not in bases]
        return [self._partition(part, mounts) for part in others]

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See the interface."""
        return mountinfo.strictly_below(self._mounts(), self._calls.real_path(path))

    # --- reading the system
    def _read(self, path: bytes) -> bytes:
        with open(os.path.join(self._root, path), "rb") as handle:
            return handle.read()

    def _mounts(self) -> list[Mount]:
        return mountinfo.parse(self._read(b"proc/self/mountinfo"))

    def _boot_id(self) -> str | None:
        try:
            return to_text(self._read(b"proc/sys/kernel/random/boot_id").strip()) or None
        except OSError:
            return None

    def _probe(self, device: bytes) -> Mapping[str, str]:
        number = self._block.number(device)
        stored = probe.from_udev(os.path.join(self._root, b"run/udev/data"), number) if number else {}
        # the device itself is believed over the database, which may remember the medium before this one
        return probe.merged(self._calls.blkid(self._block.node(device)), stored)

    def _block_device(self, mount: Mount) -> bytes | None:
        """The block device a mount stands on: by its number, else (btrfs) by its source.

        The source of a FUSE mount is what its program says of itself; where it really has a block device (`fuseblk`)
        the kernel opened that device and gives its number.
        """
        found = self._block.by_number(mount.device) if mount.device[0] else None
        if found is None and mount.file_system == "btrfs":
            found = self._block.by_node(mount.source)
        return found

    def _members(self, device: bytes) -> list[bytes]:
        members = self._block.btrfs_members(device)
        return members[1] if members else [device]

    def _sequence(self, members: list[bytes]) -> int | None:
        disks = {self._block.disk_of(base) for member in members for base in self._block.bases(member)}
        # of several disks one may have stayed while another was away: that shows nothing
        return self._block.disk_sequence(disks.pop()) if len(disks) == 1 else None

    # --- volumes
    def _is_drive(self, mount: Mount) -> bool:
        if mount.file_system in _NOT_A_DRIVE:
            return False
        if any(mountinfo.is_at_or_below(mount.mount_point, place) for place in _SYSTEM_PLACES):
            return False
        if is_network(mount.file_system) or mount.file_system == "zfs":
            return True
        says_so = mount.file_system.startswith("fuse") and self._block.by_node(mount.source) is not None
        return says_so or self._block_device(mount) is not None

    def _volumes_in_time(self, mounts: list[Mount], all_mounts: list[Mount]) -> list[Volume]:
        """All of them. A mount whose file system says nothing at all within a second is told by its bare facts; one
        that answers may take longer for what lies on its device, which may have to spin up first."""
        answers: dict[int, Volume] = {}
        alive = [threading.Event() for _ in mounts]

        def ask(index: int, mount: Mount) -> None:
            try:
                answers[index] = self._volume(mount, mount.mount_point, all_mounts, answers=alive[index].set)
            except PermissionError:
                answers[index] = replace(self._bare_volume(mount), refused=True)
            except OSError:
                pass  # gone, or not ours to look at: the bare facts are shown
            finally:
                alive[index].set()

        threads = [threading.Thread(target=ask, args=(index, mount), daemon=True) for index, mount in enumerate(mounts)]
        for thread in threads:
            thread.start()
        began = time.monotonic()
        for event in alive:
            event.wait(max(0.0, began + _MOUNT_SECONDS - time.monotonic()))
        for thread, event in zip(threads, alive, strict=True):
            if event.is_set():
                thread.join(max(0.0, began + _VOLUME_SECONDS - time.monotonic()))
        return [answers.get(index) or self._bare_volume(mount) for index, mount in enumerate(mounts)]

    def _bare_volume(self, mount: Mount) -> Volume:
        return Volume(
            mount_point=mount.mount_point,
            mount_root=mount.root,
            source=to_text(mount.source),
            file_system=mount.file_system.lower(),
            options=mount.options,
            read_only=mount.read_only,
            capacity_bytes=0,
            free_bytes=0,
            serial=None,
            label="",
            device=unknown_device(mount.file_system.lower()),
            st_dev=os.makedev(*mount.device),
            boot_id=self._boot_id(),
        )

    def _volume(
        self, mount: Mount, path: bytes, mounts: list[Mount], answers: Callable[[], None] = lambda: None
    ) -> Volume:
        """All about a volume; `answers` is called once its file system has said something."""
        st_dev = self._calls.device_number(path)
        capacity, free, allocation = self._calls.space(path)
        answers()
        block = self._block_device(mount)
        found = self._probe(block) if block is not None else {}
        file_system = _named(mount.file_system.lower(), found.get("TYPE", ""), on_block=block is not None)
        options = mount.options | self._quiet_options(file_system, block)
        device = self._device(file_system, block, mounts)
        source = to_text(mount.source)
        if block is not None and (source == "/dev/root" or file_system.startswith("fuse")):
            source = self._block.node(block)
        return Volume(
            mount_point=mount.mount_point,
            mount_root=mount.root,
            source=source,
            file_system=file_system,
            options=options,
            read_only=mount.read_only,
            capacity_bytes=capacity,
            free_bytes=free,
            serial=self._serial(found, block, path),
            label=found.get("LABEL", ""),
            device=device,
            st_dev=st_dev,
            is_mount_root=path == mount.mount_point,
            way=way_for(file_system, options, device, "linux"),
            limits=limits_for(file_system, options=options, allocation_bytes=allocation),
            boot_id=self._boot_id(),
            reserved_bytes=self._calls.reserved(path),
            may_see_cached_pages=block is None or self._calls.may_see_cached_pages(self._block.node(block)),
        )

    def _device(self, file_system: str, block: bytes | None, mounts: list[Mount], depth: int = 0) -> Device:
        if block is None:
            return network_device() if is_network(file_system) else unknown_device(file_system)

        def beneath(backing: bytes) -> Beneath | None:
            mount = self._mount_with(backing, mounts)
            if mount is None or depth > 4:
                return None
            lower = self._device(mount.file_system.lower(), self._block_device(mount), mounts, depth + 1)
            return Beneath(lower, self._is_own_disk(mount, lower, mounts))

        return device_on(self._block, block, self._members(block), Probe(self._probe), beneath)

    def _mount_with(self, backing: bytes, mounts: list[Mount]) -> Mount | None:
        """The mount that holds a disk image's file; None where the file is not there any more."""
        mount = mountinfo.mount_of(mounts, backing)
        if mount is None or mount.file_system.startswith("fuse") or is_network(mount.file_system):
            return mount  # nothing is asked of what may never answer: its images are no devices of their own anyway
        try:
            self._calls.device_number(backing)
        except OSError:
            return None  # its drive was unmounted under it, or the path is another system's
        mount_id = self._calls.mount_id(backing)
        return next((found for found in mounts if found.mount_id == mount_id), mount)

    def _is_own_disk(self, mount: Mount, lower: Device, mounts: list[Mount]) -> bool:
        if mount.mount_point in _OWN_DISK:
            return True
        system = next((found for found in mounts if found.mount_point == b"/"), None)
        block = self._block_device(system) if system is not None else None
        if system is None or block is None or lower.kind == "loop":
            return False
        # (its own layers are not asked about: one level tells whether it is the same disk)
        own = device_on(self._block, block, self._members(block), Probe(self._probe), lambda backing: None)
        return share_a_device(lower, own) is True

    def _serial(self, found: Mapping[str, str], block: bytes | None, path: bytes) -> str | None:
        if block is None:
            return None
        if members := self._block.btrfs_members(block):
            return members[0]
        return probe.known_id(found.get("UUID")) or self._calls.file_system_uuid(path)

    def _quiet_options(self, file_system: str, block: bytes | None) -> frozenset[str]:
        """Options the mount table leaves out because they are the volume's own default: ext4's journal mode."""
        if file_system != "ext4" or block is None:
            return frozenset()
        try:
            text = self._read(b"proc/fs/ext4/" + os.path.basename(block) + b"/options")
        except OSError:
            return frozenset()
        return frozenset(line for line in to_text(text).split("\n") if line.startswith("data="))

    def _partition(self, part: bytes, mounts: list[Mount]) -> Partition:
        found, number = self._probe(part), self._block.number(part)
        return Partition(
            node=self._block.node(part),
            number=self._block.partition_number(part),
            size_bytes=self._block.size_bytes(part) or 0,
            file_system=found.get("TYPE", "").lower() or None,
            label=found.get("LABEL", ""),
            mount_points=tuple(sorted({m.mount_point for m in mounts if m.device == number})),
            is_system=found.get("PART_ENTRY_TYPE", "").lower() in _SYSTEM_PARTITIONS,
        )


def _named(mounted_as: str, written: str, *, on_block: bool) -> str:
    """`fuse.exfat` for FUSE on a block device with exFAT on it; other mounts keep the kernel's name."""
    is_fuse = mounted_as in {"fuse", "fuseblk"} or mounted_as.startswith(("fuse.", "fuseblk."))
    if not (is_fuse and on_block):
        # a program may call its mount what it likes: a kind that is known for how it reads takes a block device
        return "fuse" if mounted_as in THROUGH_DEVICE_PAGES else mounted_as
    return f"fuse.{written.lower()}" if written else "fuseblk"
