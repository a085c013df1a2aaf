"""What macOS has of its own, played by Linux: the calls are listed in order, and any of them can be made to fail."""

from __future__ import annotations

import errno
import os

from rollproof.storage import macos_calls as mac
from rollproof.storage.macos_calls import MountFacts
from rollproof.storage.posix import LinuxIo


class FakeMacos:
    """`MacosCalls` on Linux. `fail` maps a command number or method name to the errno it answers with."""

    def __init__(self) -> None:
        self.log: list[tuple[object, ...]] = []
        self.fail: dict[int | str, int] = {}
        self.pages = b""
        """What `resident` answers, when set."""
        self.mapped: dict[int, int] = {}
        self.attributes: dict[bytes, bytes] = {}
        """What every file and folder has."""
        self._linux = LinuxIo()
        self._system = mac.SystemCalls()

    def _said(self, key: int | str, *details: object) -> None:
        self.log.append((key, *details))
        if key in self.fail:
            raise OSError(self.fail[key], os.strerror(self.fail[key]))

    def commands(self) -> list[object]:
        """The fcntl commands and method names so far, in order."""
        return [entry[0] for entry in self.log]

    def fcntl(self, handle: int, command: int, argument: int | bytes) -> int | bytes:
        self._said(command, argument)
        if command in (mac.F_FULLFSYNC, mac.F_BARRIERFSYNC):
            os.fsync(handle)
        return 0

    def ioctl(self, handle: int, request: int, size: int) -> bytes:
        self._said("ioctl", request, size)
        return (4096 if request == mac.DKIOCGETBLOCKSIZE else 1000).to_bytes(size, "little")

    def rename_exclusive(self, old: bytes, new: bytes, folder: int) -> None:
        self._said("rename_exclusive", old, new)
        self._linux.rename_no_replace(old, new, folder)

    def map(self, handle: int, length: int, offset: int) -> int:
        self._said("map", length, offset)
        address = self._system.map(handle, length, offset)
        self.mapped[address] = length
        return address

    def unmap(self, address: int, length: int) -> None:
        self._said("unmap", length)
        assert self.mapped.pop(address) == length
        self._system.unmap(address, length)

    def attribute_names(self, handle: int) -> list[bytes]:
        self._said("attribute_names")
        os.fstat(handle)
        return list(self.attributes)

    def attribute(self, handle: int, name: bytes, most: int) -> tuple[int, bytes]:
        self._said("attribute", name, most)
        return len(self.attributes[name]), self.attributes[name][:most]

    def invalidate(self, address: int, length: int) -> None:
        self._said("invalidate", length)

    def resident(self, address: int, length: int, pages: int) -> bytes:
        self._said("resident", length, pages)
        return self.pages or self._system.resident(address, length, pages)

    def mount_of_handle(self, handle: int) -> MountFacts:
        self._said("mount_of_handle")
        found = os.fstatvfs(handle)
        return self._facts(found)

    def mount_of_path(self, path: bytes) -> MountFacts:
        self._said("mount_of_path", path)
        if not os.path.lexists(path):
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        return self._facts(os.statvfs(path))

    def mounts(self) -> list[MountFacts]:
        self._said("mounts")
        return [self._facts(os.statvfs("/"))]

    @staticmethod
    def _facts(found: os.statvfs_result) -> MountFacts:
        return MountFacts(
            mount_point=b"/",
            source="/dev/disk3s1",
            file_system="apfs",
            flags=mac.MNT_LOCAL,
            capacity_bytes=found.f_blocks * found.f_frsize,
            free_bytes=found.f_bavail * found.f_frsize,
            block_bytes=found.f_bsize,
        )
