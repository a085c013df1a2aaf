"""Block devices as `/sys` shows them: partitions and their disk, sets of disks, serial numbers, disk sequence.

`BlockDevices` takes the system's root, so that a test can hand it a folder that looks like one. Facts: the kernel's
Documentation/ABI/stable/sysfs-block and testing/sysfs-block-device.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator

from rollproof.models.names import to_text

_READ_LIMIT = 1 << 16
_MOST_DIGITS = 20  # of 64 bits
_DEPTH = 16  # layers of dm over md over loop …: deeper is a mistake of ours
_WORLD_WIDE = re.compile(r"(naa\.[256]|eui\.)[0-9a-fA-F]+")  # registered names; naa.3 is made up locally
_NETWORK_DISK = re.compile(r"(nbd|rbd|drbd|etherd!)")
_MEMORY_DISK = re.compile(r"(zram|ram)\d")


class BlockDevices:
    """Reads `/sys` below `root`. A device is the bytes path of its real sysfs folder, such as `…/block/sdb/sdb1`."""

    def __init__(self, root: bytes = b"/") -> None:
        self._root = root

    def by_number(self, number: tuple[int, int]) -> bytes | None:
        """The device with this (major, minor), or None."""
        return self._folder(b"sys/dev/block/%d:%d" % number)

    def by_node(self, node: bytes) -> bytes | None:
        """The device behind a node such as `/dev/sdb1` or `/dev/mapper/x`, or None."""
        if not node.startswith(b"/dev/"):
            return None
        real = os.path.realpath(os.path.join(self._root, node.lstrip(b"/")))
        below = os.path.relpath(real, os.path.join(os.path.realpath(self._root), b"dev"))
        return self._folder(b"sys/class/block/" + below.replace(b"/", b"!"))

    def _folder(self, path: bytes) -> bytes | None:
        real = os.path.realpath(os.path.join(self._root, path))
        return real if os.path.isdir(real) else None

    # --- shape
    @staticmethod
    def name(device: bytes) -> str:
        """The kernel's name, such as `sdb1`."""
        return to_text(os.path.basename(device))

    def node(self, device: bytes) -> str:
        """The node, such as `/dev/sdb1`."""
        return "/dev/" + self.name(device).replace("!", "/")

    def number(self, device: bytes) -> tuple[int, int] | None:
        """(major, minor)."""
        major, _, minor = self.text(device, b"dev")[:_MOST_DIGITS].partition(":")
        return (int(major), int(minor)) if major.isdecimal() and minor.isdecimal() else None

    def partition_number(self, device: bytes) -> int | None:
        """The number of a partition; None for a whole disk."""
        return self.integer(device, b"partition")

    def disk_of(self, device: bytes) -> bytes:
        """The whole disk a partition belongs to; a disk is its own."""
        return os.path.dirname(device) if self.partition_number(device) is not None else device

    def partitions(self, disk: bytes) -> list[bytes]:
        """The partitions of a whole disk, by number."""
        found = [child for child in self._children(disk) if self.partition_number(child) is not None]
        return sorted(found, key=lambda child: self.partition_number(child) or 0)

    def bases(self, device: bytes, depth: int = 0) -> list[bytes]:
        """What a device stands on at the very bottom: partitions or disks. A plain one stands on itself; device mapper
        and md stand on their slaves."""
        slaves = [os.path.realpath(child) for child in self._children(os.path.join(device, b"slaves"))]
        if not slaves and (backing := self.by_node(self.backing_file(device) or b"")):
            slaves = [backing]  # a loop device over a block device is that device
        if not slaves or depth > _DEPTH:
            return [device]
        return list(dict.fromkeys(base for slave in slaves for base in self.bases(slave, depth + 1)))

    def btrfs_members(self, device: bytes) -> tuple[str, list[bytes]] | None:
        """(UUID, all its devices) of the mounted btrfs that this device is part of; None when it is part of none."""
        name = os.path.basename(device)
        for file_system in self._children(os.path.join(self._root, b"sys/fs/btrfs")):
            folder = os.path.join(file_system, b"devices")
            if os.path.lexists(os.path.join(folder, name)):
                members = [os.path.realpath(member) for member in self._children(folder)]
                return to_text(os.path.basename(file_system)), members
        return None

    # --- facts
    def size_bytes(self, device: bytes) -> int | None:
        """Size; the kernel counts in 512 bytes whatever the device's own sector is."""
        sectors = self.integer(device, b"size")
        return None if sectors is None else sectors * 512

    def rotational(self, device: bytes) -> bool | None:
        """Whether it says it turns. Bridges and loop devices say so without turning; a virtual disk's word is none."""
        if device.rpartition(b"/")[2].startswith((b"vd", b"xvd")):
            return None
        value = self.integer(device, b"queue/rotational")
        return None if value is None else value == 1

    def disk_sequence(self, disk: bytes) -> int | None:
        """The number the kernel gave this medium when it appeared; never given twice within one boot."""
        return self.integer(disk, b"diskseq")

    def backing_file(self, device: bytes) -> bytes | None:
        """The file under a loop device, or None."""
        return self._bytes(device, b"loop/backing_file").rstrip(b"\n") or None

    def is_window(self, device: bytes) -> bool:
        """Whether a loop device shows only part of its file."""
        return any(self.integer(device, b"loop/" + name) for name in (b"offset", b"sizelimit"))

    def is_memory(self, disk: bytes) -> bool:
        """Whether the disk is made of memory."""
        return _MEMORY_DISK.match(self.name(disk)) is not None

    def is_network(self, disk: bytes) -> bool:
        """Whether the disk is somewhere else, behind a network."""
        return _NETWORK_DISK.match(self.name(disk)) is not None or re.search(rb"/session\d+/", disk) is not None

    def model(self, disk: bytes) -> str:
        """Vendor and model as a person would read them on the screen; empty when unknown."""
        vendor, model = self.text(disk, b"device/vendor"), self.text(disk, b"device/model")
        if not model:
            model = self.text(disk, b"device/name")
        if not model and (usb := self._usb_parent(disk)):
            vendor, model = self.text(usb, b"manufacturer"), self.text(usb, b"product")
        if re.fullmatch(r"0x[0-9a-f]+|ATA", vendor):  # a bus number, or the kind of command set: no vendor's name
            vendor = ""
        return " ".join(f"{vendor} {model}".split())

    def own_name(self, disk: bytes) -> tuple[str, str] | None:
        """(kind, name) by which the disk itself, not the bridge before it, is known in the world; else None."""
        name = self.name(disk)
        if name.startswith("nvme") and (serial := self.text(disk, b"device/serial")):
            return "nvme", f"{self.text(disk, b'device/model')}:{serial}"
        if cid := self.text(disk, b"device/cid"):
            return "card", cid
        wwid = self.text(disk, b"device/wwid") or self.text(disk, b"wwid")
        if _WORLD_WIDE.fullmatch(wwid) or wwid.startswith("t10.ATA "):
            return "wwid", wwid
        if self._usb_parent(disk) is None and (serial := self._unit_serial(disk)):
            return "serial", f"{self.model(disk)}:{serial}"
        return None

    def serial(self, disk: bytes) -> str:
        """The serial number to show: the disk's own, else its bridge's; empty when there is none."""
        serial = self.text(disk, b"device/serial") or self.text(disk, b"serial")
        if not serial and (usb := self._usb_parent(disk)):
            serial = self.text(usb, b"serial")
        return serial or self._unit_serial(disk)

    def _unit_serial(self, disk: bytes) -> str:
        # SPC-4, 7.8.14: a header of four bytes, then the unit serial number in ASCII
        return to_text(self._bytes(disk, b"device/vpd_pg80")[4:].strip(b"\0 \n"))

    def _usb_parent(self, disk: bytes) -> bytes | None:
        folder = os.path.realpath(os.path.join(disk, b"device"))
        top = os.path.realpath(self._root)
        while len(folder) > len(top):
            if os.path.exists(os.path.join(folder, b"idVendor")):
                return folder
            folder = os.path.dirname(folder)
        return None

    # --- reading
    def text(self, device: bytes, name: bytes) -> str:
        """One attribute as text, stripped; empty when it is not there."""
        return to_text(self._bytes(device, name)).strip("\0 \n\t")

    def integer(self, device: bytes, name: bytes) -> int | None:
        """One attribute as a number, or None."""
        text = self.text(device, name)
        return int(text) if text.isascii() and text.isdecimal() and len(text) <= _MOST_DIGITS else None

    @staticmethod
    def _bytes(device: bytes, name: bytes) -> bytes:
        try:
            with open(os.path.join(device, name), "rb") as handle:
                return handle.read(_READ_LIMIT)
        except OSError:
            return b""

    @staticmethod
    def _children(folder: bytes) -> Iterator[bytes]:
        try:
            names = sorted(os.listdir(folder))
        except OSError:
            return
        yield from (os.path.join(folder, name) for name in names)
