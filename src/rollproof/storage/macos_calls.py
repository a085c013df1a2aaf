"""The calls that only macOS has, or has differently, behind one small interface.

Not run on this system; behind the interface with unit tests on fakes. Numbers and structures are those of the macOS SDK
headers (`sys/fcntl.h`, `sys/mman.h`, `sys/mount.h`, `sys/disk.h`, `sys/stat.h`).
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import struct
from dataclasses import dataclass
from typing import Any, Protocol

from rollproof.storage.c_library import prepared

F_PREALLOCATE, F_NOCACHE, F_FULLFSYNC, F_BARRIERFSYNC = 42, 48, 51, 85
F_ALLOCATEALL, F_PEOFPOSMODE = 4, 3
RENAME_EXCL = 0x4
PROT_READ, MAP_SHARED = 0x1, 0x1
MS_INVALIDATE = 0x2
DKIOCGETBLOCKSIZE, DKIOCGETBLOCKCOUNT = 0x40046418, 0x40086419
UF_COMPRESSED, SF_DATALESS = 0x20, 0x40000000
RESOURCE_FORK = b"com.apple.ResourceFork"
MNT_RDONLY, MNT_LOCAL, MNT_DONTBROWSE = 0x1, 0x1000, 0x100000

_STORE = struct.Struct("=Iiqqq")  # fstore_t: flags, position mode, offset, length, bytes allocated


def preallocation(extra: int) -> bytes:
    """The `fstore_t` for `extra` bytes beyond the present end of the file."""
    return _STORE.pack(F_ALLOCATEALL, F_PEOFPOSMODE, 0, extra, 0)


@dataclass(frozen=True, slots=True)
class MountFacts:
    """What `statfs` tells of the volume behind a path or handle. Sizes are bytes; `flags` as in `sys/mount.h`."""

    mount_point: bytes
    source: str
    file_system: str
    flags: int
    capacity_bytes: int
    free_bytes: int
    block_bytes: int


class MacosCalls(Protocol):
    """One method per call; every failure is an OSError with `errno` set."""

    def fcntl(self, handle: int, command: int, argument: int | bytes) -> int | bytes:
        """fcntl(2)."""
        ...

    def ioctl(self, handle: int, request: int, size: int) -> bytes:
        """ioctl(2) for a request that fills `size` bytes."""
        ...

    def rename_exclusive(self, old: bytes, new: bytes, folder: int) -> None:
        """renameatx_np(2) with RENAME_EXCL, both names in `folder`."""
        ...

    def map(self, handle: int, length: int, offset: int) -> int:
        """mmap(2), shared and read-only: the address."""
        ...

    def unmap(self, address: int, length: int) -> None:
        """munmap(2)."""
        ...

    def invalidate(self, address: int, length: int) -> None:
        """msync(2) with MS_INVALIDATE: the cached pages behind a mapping go."""
        ...

    def resident(self, address: int, length: int, pages: int) -> bytes:
        """mincore(2): one byte per page, lowest bit set when it is in memory."""
        ...

    def attribute_names(self, handle: int) -> list[bytes]:
        """flistxattr(2): the resource fork is among them, as `com.apple.ResourceFork`."""
        ...

    def attribute(self, handle: int, name: bytes, most: int) -> tuple[int, bytes]:
        """fgetxattr(2): how many bytes it holds, and the first `most` of them (nothing is read for 0). Only of the
        resource fork can a part be read: of others everything or nothing."""
        ...

    def mount_of_handle(self, handle: int) -> MountFacts:
        """fstatfs(2)."""
        ...

    def mount_of_path(self, path: bytes) -> MountFacts:
        """statfs(2)."""
        ...

    def mounts(self) -> list[MountFacts]:
        """getfsstat(2) without asking the file systems anew, so that one that hangs does not hang the list."""
        ...


class Statfs(ctypes.Structure):
    """`struct statfs` with 64-bit inodes."""

    _fields_ = (
        ("block_size", ctypes.c_uint32),
        ("io_size", ctypes.c_int32),
        ("blocks", ctypes.c_uint64),
        ("blocks_free", ctypes.c_uint64),
        ("blocks_available", ctypes.c_uint64),
        ("files", ctypes.c_uint64),
        ("files_free", ctypes.c_uint64),
        ("identity", ctypes.c_int32 * 2),
        ("owner", ctypes.c_uint32),
        ("type", ctypes.c_uint32),
        ("flags", ctypes.c_uint32),
        ("sub_type", ctypes.c_uint32),
        ("type_name", ctypes.c_char * 16),
        ("mounted_on", ctypes.c_char * 1024),
        ("mounted_from", ctypes.c_char * 1024),
        ("extended_flags", ctypes.c_uint32),
        ("reserved", ctypes.c_uint32 * 7),
    )


_MNT_NOWAIT = 2
_MAP_FAILED = ctypes.c_void_p(-1).value


class SystemCalls:
    """`MacosCalls` by the C library. Calls by ctypes release the interpreter lock."""

    def __init__(self, library: Any = None) -> None:
        self._c = ctypes.CDLL(None, use_errno=True) if library is None else library
        number, pointer, size = ctypes.c_int, ctypes.c_void_p, ctypes.c_size_t
        self._mmap = prepared(self._c, "mmap", pointer, size, number, number, number, ctypes.c_int64, result=pointer)
        self._getfsstat = prepared(self._c, self._name("getfsstat"), pointer, number, number)
        name, count, at = ctypes.c_char_p, ctypes.c_ssize_t, ctypes.c_uint32
        self._attributes = {
            "flistxattr": prepared(self._c, "flistxattr", number, name, size, number, result=count),
            "fgetxattr": prepared(self._c, "fgetxattr", number, name, pointer, size, at, number, result=count),
        }

    def fcntl(self, handle: int, command: int, argument: int | bytes) -> int | bytes:
        """fcntl(2)."""
        return fcntl.fcntl(handle, command, argument)

    def ioctl(self, handle: int, request: int, size: int) -> bytes:
        """ioctl(2)."""
        return fcntl.ioctl(handle, request, bytes(size))

    def _zero(self, name: str, *arguments: Any) -> None:
        while getattr(self._c, name)(*arguments) != 0:
            code = ctypes.get_errno()
            if code != errno.EINTR:
                raise OSError(code, f"{os.strerror(code)} ({name})")

    def rename_exclusive(self, old: bytes, new: bytes, folder: int) -> None:
        """renameatx_np(2)."""
        self._zero(
            "renameatx_np",
            ctypes.c_int(folder), ctypes.c_char_p(old), ctypes.c_int(folder), ctypes.c_char_p(new),
            ctypes.c_uint(RENAME_EXCL),
        )  # fmt: skip

    def map(self, handle: int, length: int, offset: int) -> int:
        """mmap(2) itself: Python's own `mmap` issues F_FULLFSYNC on macOS and swallows its failure, and a flush
        that failed unseen is a lost write that looks like success."""
        address = self._mmap(None, length, PROT_READ, MAP_SHARED, handle, offset)
        if address is None or address == _MAP_FAILED:
            code = ctypes.get_errno()
            raise OSError(code, f"{os.strerror(code)} (mmap)")
        return int(address)

    def unmap(self, address: int, length: int) -> None:
        """munmap(2)."""
        self._zero("munmap", ctypes.c_void_p(address), ctypes.c_size_t(length))

    def invalidate(self, address: int, length: int) -> None:
        """msync(2)."""
        self._zero("msync", ctypes.c_void_p(address), ctypes.c_size_t(length), ctypes.c_int(MS_INVALIDATE))

    def resident(self, address: int, length: int, pages: int) -> bytes:
        """mincore(2)."""
        vector = (ctypes.c_ubyte * pages)()
        self._zero("mincore", ctypes.c_void_p(address), ctypes.c_size_t(length), vector)
        return bytes(vector)

    def attribute_names(self, handle: int) -> list[bytes]:
        """flistxattr(2)."""
        while True:
            room = self._counted("flistxattr", ctypes.c_int(handle), None, ctypes.c_size_t(0), ctypes.c_int(0))
            if room == 0:
                return []
            names = ctypes.create_string_buffer(room)
            try:
                count = self._counted("flistxattr", ctypes.c_int(handle), names, ctypes.c_size_t(room), ctypes.c_int(0))
            except OSError as error:
                if error.errno != errno.ERANGE:  # one was added between the two calls
                    raise
            else:
                return [name for name in names.raw[:count].split(b"\0") if name]

    def attribute(self, handle: int, name: bytes, most: int) -> tuple[int, bytes]:
        """fgetxattr(2)."""
        which = (ctypes.c_int(handle), ctypes.c_char_p(name))
        tail = (ctypes.c_uint32(0), ctypes.c_int(0))
        size = self._counted("fgetxattr", *which, None, ctypes.c_size_t(0), *tail)
        if not most or not size:
            return size, b""
        room = min(size, most) if name == RESOURCE_FORK else size
        content = ctypes.create_string_buffer(room)
        count = self._counted("fgetxattr", *which, content, ctypes.c_size_t(room), *tail)
        return size, content.raw[: min(count, most)]

    def _counted(self, name: str, *arguments: Any) -> int:
        count = int(self._attributes[name](*arguments))
        if count < 0:
            code = ctypes.get_errno()
            raise OSError(code, f"{os.strerror(code)} ({name})")
        return count

    def mount_of_handle(self, handle: int) -> MountFacts:
        """fstatfs(2)."""
        return self._mount("fstatfs", ctypes.c_int(handle))

    def mount_of_path(self, path: bytes) -> MountFacts:
        """statfs(2)."""
        return self._mount("statfs", ctypes.c_char_p(path))

    def mounts(self) -> list[MountFacts]:
        """getfsstat(2)."""
        room = 0
        while True:
            buffer = (Statfs * room)() if room else None
            count = self._getfsstat(buffer, room * ctypes.sizeof(Statfs), _MNT_NOWAIT)
            if count < 0:
                code = ctypes.get_errno()
                raise OSError(code, f"{os.strerror(code)} (getfsstat)")
            if buffer is not None and count < room:
                return [_facts(buffer[index]) for index in range(count)]
            room = count + 8  # something may be mounted between the two calls

    def _mount(self, name: str, which: Any) -> MountFacts:
        found = Statfs()
        self._zero(self._name(name), which, ctypes.byref(found))
        return _facts(found)

    def _name(self, name: str) -> str:
        # Intel machines keep the form with 64-bit inodes under a name of its own
        suffixed = f"{name}$INODE64"
        return suffixed if hasattr(self._c, suffixed) else name


def _facts(found: Statfs) -> MountFacts:
    return MountFacts(
        mount_point=found.mounted_on,
        source=os.fsdecode(found.mounted_from),
        file_system=os.fsdecode(found.type_name).lower(),
        flags=found.flags,
        capacity_bytes=found.blocks * found.block_size,
        free_bytes=found.blocks_available * found.block_size,
        block_bytes=found.block_size,
    )
