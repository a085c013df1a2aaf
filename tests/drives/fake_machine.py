"""A machine as data: a folder that looks like `/proc`, `/sys` and `/run` of a computer with certain disks."""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rollproof.drives.linux import Calls, LinuxDrives

BOOT_ID = "0b1c7a52-8d3e-4f7a-9a55-1f0c53a1b001"
MIB = 1 << 20


@dataclass
class Machine:
    """Builds the tree; `drives()` is a `LinuxDrives` that sees nothing else."""

    root: Path
    mounts: list[str] = field(default_factory=list)
    written: dict[str, Mapping[str, str]] = field(default_factory=dict)
    """What blkid would say of each node."""
    space: tuple[int, int, int] = (1000 * MIB, 400 * MIB, 4096)
    dead: set[bytes] = field(default_factory=set)
    """Mount points whose file system says nothing until `end`."""
    end: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.write("proc/sys/kernel/random/boot_id", BOOT_ID + "\n")
        for folder in ("sys/dev/block", "sys/class/block", "dev"):
            (self.root / folder).mkdir(parents=True)

    def write(self, path: str, text: str | bytes) -> None:
        """One file of the tree."""
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(text.encode() if isinstance(text, str) else text)

    def disk(
        self,
        name: str,
        number: str,
        *,
        bus: str = "pci0000:00/ata1",
        size: int = 1000 * MIB,
        sequence: int | None = 5,
        attributes: Mapping[str, str | bytes] | None = None,
        slaves: tuple[str, ...] = (),
        partitions: Mapping[str, str] | None = None,
    ) -> None:
        """A block device. `partitions` maps a partition's name to its number; `slaves` name devices made before."""
        folder = f"sys/devices/{bus}/block/{name}"
        self.write(f"{folder}/dev", number + "\n")
        self.write(f"{folder}/size", f"{size // 512}\n")
        self.write(f"{folder}/queue/rotational", "1\n")
        if sequence is not None:
            self.write(f"{folder}/diskseq", f"{sequence}\n")
        for key, value in (attributes or {}).items():
            self.write(f"{folder}/{key}", value)
        self._known(folder, name, number)
        for place, (part, part_number) in enumerate((partitions or {}).items(), 1):
            self.write(f"{folder}/{part}/dev", part_number + "\n")
            self.write(f"{folder}/{part}/partition", f"{place}\n")
            self.write(f"{folder}/{part}/size", f"{size // 1024}\n")
            self._known(f"{folder}/{part}", part, part_number)
        for slave in slaves:
            self.link(f"{folder}/slaves/{slave}", f"sys/class/block/{slave}")

    def usb(self, bus: str, *, serial: str | None, product: str = "Bridge") -> None:
        """The USB device above a disk on `bus`."""
        self.write(f"sys/devices/{bus}/idVendor", "1234\n")
        self.write(f"sys/devices/{bus}/manufacturer", "Foundry\n")
        self.write(f"sys/devices/{bus}/product", product + "\n")
        if serial is not None:
            self.write(f"sys/devices/{bus}/serial", serial + "\n")

    def scsi(self, bus: str, name: str) -> None:
        """Makes `device` of a disk point at its place on the bus, as the kernel does."""
        self.link(f"sys/devices/{bus}/block/{name}/device", f"sys/devices/{bus}")

    def link(self, path: str, target: str) -> None:
        """A relative link within the tree."""
        here = self.root / path
        here.parent.mkdir(parents=True, exist_ok=True)
        here.symlink_to(os.path.relpath(os.path.realpath(self.root / target), here.parent))

    def _known(self, folder: str, name: str, number: str) -> None:
        self.link(f"sys/dev/block/{number}", folder)
        self.link(f"sys/class/block/{name}", folder)

    def mount(
        self,
        point: str,
        number: str,
        file_system: str,
        source: str,
        *,
        root: str = "/",
        options: str = "rw",
        super_options: str = "rw",
    ) -> None:
        """One line of mountinfo."""
        before = f"{len(self.mounts) + 20} 1 {number} {root} {point} {options} shared:1"
        self.mounts.append(f"{before} - {file_system} {source} {super_options}")

    def _space(self, path: bytes) -> tuple[int, int, int]:
        if path in self.dead:
            self.end.wait()
        return self.space

    def drives(self) -> LinuxDrives:
        """The backend on this machine. Every path below a mount point exists."""
        self.write("proc/self/mountinfo", "\n".join(self.mounts) + "\n")
        return LinuxDrives(
            os.fsencode(self.root),
            Calls(
                real_path=lambda path: path,
                device_number=lambda path: 77,
                space=self._space,
                mount_id=lambda path: None,
                file_system_uuid=lambda path: None,
                blkid=lambda node: self.written.get(node, {}),
            ),
        )
