"""`Io` on Linux, and what it shares with macOS (`macos.py` builds on `PosixIo`)."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import mmap
import os
import resource
import stat as stat_module
import struct
import sys
import threading
from collections.abc import Sequence

from rollproof.models.names import ASCMHL_FOLDER, RECORDS_FOLDER
from rollproof.storage import linux_aio, linux_attributes
from rollproof.storage.c_library import prepared
from rollproof.storage.io import OPEN_TOGETHER, EntryKind, NamedPart, PartsShown, Stat, one_by_one

OUR_FOLDERS = frozenset((RECORDS_FOLDER, ASCMHL_FOLDER))
"""Folders that only their owner may change: who could write in them could put other records in place of ours."""

_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_O_DIRECT = getattr(os, "O_DIRECT", 0)
_O_NOATIME = getattr(os, "O_NOATIME", 0)
_WINDOW_BYTES = 1 << 30  # one mincore call answers for at most this much: 256 KiB of vector

# linux/fs.h: EXT4_INLINE_DATA_FL, FS_ENCRYPT_FL, FS_JOURNAL_DATA_FL
_FS_IOC_GETFLAGS = 0x80086601
_BYPASS_FLAGS = 0x10000000 | 0x00000800 | 0x00004000
# linux/fiemap.h: one struct fiemap (start, length, flags, mapped extents, room for extents, reserved) and one extent
_FS_IOC_FIEMAP = 0xC020660B
_FIRST_EXTENT = struct.pack("=QQIIII", 0, (1 << 64) - 1, 0, 0, 1, 0) + bytes(56)
_DATA_INLINE = 0x200
_BLKGETSIZE64 = 0x80081272
_RENAME_NOREPLACE = 1
_NO_ENTRY = frozenset((b"", b".", b".."))

ENOUGH_FILES = 4096


def _kind(mode: int) -> EntryKind:
    if stat_module.S_ISREG(mode):
        return EntryKind.FILE
    if stat_module.S_ISDIR(mode):
        return EntryKind.FOLDER
    if stat_module.S_ISLNK(mode):
        return EntryKind.LINK
    return EntryKind.SPECIAL


def _as_stat(found: os.stat_result) -> Stat:
    kind = EntryKind.FILE if stat_module.S_ISREG(found.st_mode) else _kind(found.st_mode)
    return Stat(kind, found.st_size, found.st_mtime_ns, found.st_dev, found.st_ino, found.st_nlink)


def _single(name: bytes) -> bytes:
    """The name, when it is a single component: O_NOFOLLOW guards only the last one, and a NUL would cut it short."""
    if name in _NO_ENTRY or b"/" in name or b"\0" in name:
        raise OSError(errno.EINVAL, "not the name of one entry", name)
    return name


def allow_open_files() -> None:
    """Let this process have `ENOUGH_FILES` open, or as many as its user may: several drives that are read at once, each
    with many small files and the folders they lie in, need more than the few hundred that systems begin with."""
    few, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = ENOUGH_FILES if most == resource.RLIM_INFINITY else min(ENOUGH_FILES, most)
    if few != resource.RLIM_INFINITY and few < wanted:
        with contextlib.suppress(OSError, ValueError):  # then each is read alone
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, most))


def _reads_together() -> int:
    """How many small files may be open at once for each worker."""
    if not linux_aio.possible():
        return 1
    return linux_aio.MOST if _enough_may_be_open() else 1


def _enough_may_be_open() -> bool:
    may_be_open = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return may_be_open == resource.RLIM_INFINITY or may_be_open >= ENOUGH_FILES


def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def _raise_errno(what: str) -> None:
    code = ctypes.get_errno()
    raise OSError(code, f"{os.strerror(code)} ({what})")


class PosixIo:
    """Folder handles and files by the calls that every POSIX system has."""

    name = "posix"
    reads_at_once = 1
    direct_flag = 0

    def __init__(self) -> None:
        self._functions_of(_libc())
        self.open_together = OPEN_TOGETHER if _enough_may_be_open() else 1

    def _functions_of(self, library: ctypes.CDLL) -> None:
        """Take what is called from a C library."""
        self._mincore_call = prepared(library, "mincore", ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p)

    # --- folders
    def open_root(self, path: bytes) -> int:
        return os.open(path, _FOLDER_FLAGS)

    def open_folder(self, name: bytes, folder: int) -> int:
        return os.open(name if name == b"." else _single(name), _FOLDER_FLAGS | os.O_NOFOLLOW, dir_fd=folder)

    def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
        found: list[tuple[bytes, EntryKind]] = []
        # A duplicate shares its offset with the original: open the folder anew so that two listings never mix.
        fresh = os.open(b".", _FOLDER_FLAGS, dir_fd=folder)
        try:
            with os.scandir(fresh) as entries:
                for entry in entries:
                    if entry.is_symlink():
                        kind = EntryKind.LINK
                    elif entry.is_dir(follow_symlinks=False):
                        kind = EntryKind.FOLDER
                    elif entry.is_file(follow_symlinks=False):
                        kind = EntryKind.FILE
                    else:
                        kind = EntryKind.SPECIAL
                    # scandir of a handle gives text; fsencode restores the exact bytes
                    found.append((os.fsencode(entry.name), kind))
        finally:
            os.close(fresh)
        return found

    def make_folder(self, name: bytes, folder: int) -> None:
        os.mkdir(_single(name), 0o755 if name in OUR_FOLDERS else 0o777, dir_fd=folder)

    def remove_folder(self, name: bytes, folder: int) -> None:
        os.rmdir(_single(name), dir_fd=folder)

    # --- files
    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        flags = os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC
        if direct:
            flags |= self.direct_flag
        try:
            handle = self._open_existing(name, flags | _O_NOATIME, folder)
        except PermissionError:
            if not _O_NOATIME:
                raise
            handle = self._open_existing(name, flags, folder)  # O_NOATIME is for the owner only
        if direct and not self.direct_flag:
            self._made_direct(handle)
        return handle

    @staticmethod
    def _open_existing(name: bytes, flags: int, folder: int) -> int:
        try:
            handle = os.open(_single(name), flags, 0o666, dir_fd=folder)
        except OSError as error:
            # a socket cannot be opened at all; a device that went away says the same
            if (
                error.errno != errno.ENXIO
                or _kind(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode) is not EntryKind.SPECIAL
            ):
                raise
            raise OSError(errno.EINVAL, "not a regular file", name) from error
        try:
            if not stat_module.S_ISREG(os.fstat(handle).st_mode):
                raise OSError(errno.EINVAL, "not a regular file", name)
        except BaseException:
            os.close(handle)
            raise
        return handle

    def _make_direct(self, handle: int) -> None:
        """Turn an open file to direct I/O; OSError when the file system refuses."""
        raise OSError(errno.EINVAL, "no direct I/O here")

    def _made_direct(self, handle: int) -> None:
        try:
            self._make_direct(handle)
        except OSError as error:
            os.close(handle)
            raise OSError(errno.EINVAL, "the file system refuses direct I/O") from error

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        # footage and records are never edited: not by group or others either, whatever the umask
        handle = os.open(_single(name), flags, 0o644, dir_fd=folder)
        if direct:
            # Not by O_DIRECT in the open: where the file system refuses that, the new file would be left behind, and
            # the caller's second try would find the name taken.
            try:
                self._made_direct(handle)
            except OSError:
                os.unlink(name, dir_fd=folder)
                raise
        return handle

    def open_append(self, name: bytes, folder: int, *, create: bool) -> int:
        flags = os.O_RDWR | os.O_APPEND | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        return self._open_existing(name, flags | (os.O_CREAT if create else 0), folder)

    def stat(self, name: bytes, folder: int) -> Stat:
        return _as_stat(os.stat(_single(name), dir_fd=folder, follow_symlinks=False))

    def fstat(self, handle: int) -> Stat:
        return _as_stat(os.fstat(handle))

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        return os.preadv(handle, [view], offset)

    def read_many(self, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
        return one_by_one(self, reads)

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        return os.pwrite(handle, view, offset)

    def parts_shown_as(self, folder: int) -> PartsShown | None:
        return None

    def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
        raise OSError(errno.EOPNOTSUPP, "no streams or attributes here")

    def beginning_of_part(self, name: bytes, part: bytes, folder: int, shown_as: PartsShown, most: int) -> bytes:
        raise OSError(errno.EOPNOTSUPP, "no streams or attributes here")

    def truncate(self, handle: int, size: int) -> None:
        os.ftruncate(handle, size)

    def allocate(self, handle: int, size: int) -> None:
        raise OSError(errno.EOPNOTSUPP, "no preallocation here")

    def set_modified(self, handle: int, modified_ns: int) -> None:
        os.utime(handle, ns=(modified_ns, modified_ns))

    def flush(self, handle: int) -> None:
        os.fsync(handle)

    def flush_volume(self, handle: int) -> None:
        raise OSError(errno.ENOSYS, "no volume flush here")

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        self._checked_rename(old, new, folder)

    @staticmethod
    def _checked_rename(old: bytes, new: bytes, folder: int) -> None:
        try:
            os.stat(_single(new), dir_fd=folder, follow_symlinks=False)
        except FileNotFoundError:
            os.rename(_single(old), new, src_dir_fd=folder, dst_dir_fd=folder)
            return
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), new)

    def rename_over(self, old: bytes, new: bytes, folder: int) -> None:
        os.replace(_single(old), _single(new), src_dir_fd=folder, dst_dir_fd=folder)

    def remove(self, name: bytes, folder: int) -> None:
        os.unlink(_single(name), dir_fd=folder)

    def close(self, handle: int) -> None:
        os.close(handle)

    # --- volumes and locks
    def free_bytes(self, handle: int) -> int:
        found = os.fstatvfs(handle)
        return found.f_bavail * found.f_frsize

    def lock(self, folder: int) -> bool:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    # --- the page cache
    def drop_pages(self, handle: int) -> None:
        raise OSError(errno.ENOSYS, "no page eviction here")

    def resident_pages(self, handle: int, size: int) -> int:
        if size <= 0:
            return 0
        pages = 0
        for start in range(0, size, _WINDOW_BYTES):
            length = min(_WINDOW_BYTES, size - start)
            try:
                window = mmap.mmap(handle, length, flags=mmap.MAP_SHARED, prot=mmap.PROT_READ, offset=start)
            except ValueError as error:
                raise OSError(errno.EINVAL, "the file is shorter than was said") from error
            with window:
                pages += self._mincore(window, length)
        return pages

    def _mincore(self, window: mmap.mmap, length: int) -> int:
        count = -(-length // mmap.PAGESIZE)
        vector = (ctypes.c_ubyte * count)()
        # a read-only mapping cannot lend its address through the buffer protocol of ctypes: ask numpy-free, by view
        address = _address_of(window)
        if self._mincore_call(address, length, vector) != 0:
            _raise_errno("mincore")
        return count - bytes(vector).translate(_LOWEST_BIT).count(0)

    def bypasses_direct(self, handle: int) -> bool:
        return False

    def kept_inside(self, handle: int) -> bool:
        return False

    def open_device(self, node: str) -> int:
        return os.open(node, os.O_RDONLY | os.O_CLOEXEC)

    def device_size(self, handle: int) -> int:
        return os.lseek(handle, 0, os.SEEK_END)


_LOWEST_BIT = bytes(value & 1 for value in range(256))


class _PyBuffer(ctypes.Structure):
    _fields_ = (
        ("buf", ctypes.c_void_p),
        ("obj", ctypes.py_object),
        ("len", ctypes.c_ssize_t),
        ("itemsize", ctypes.c_ssize_t),
        ("readonly", ctypes.c_int),
        ("ndim", ctypes.c_int),
        ("format", ctypes.c_char_p),
        ("shape", ctypes.c_void_p),
        ("strides", ctypes.c_void_p),
        ("suboffsets", ctypes.c_void_p),
        ("internal", ctypes.c_void_p),
    )


def _address_of(window: mmap.mmap) -> int:
    """Address of a mapping, read-only ones too (the buffer is released before the mapping closes)."""
    view = _PyBuffer()
    ctypes.pythonapi.PyObject_GetBuffer(ctypes.py_object(window), ctypes.byref(view), 0)
    try:
        return int(view.buf or 0)
    finally:
        ctypes.pythonapi.PyBuffer_Release(ctypes.byref(view))


class LinuxIo(PosixIo):
    """Linux: direct I/O, reads handed over together, renameat2, syncfs, page eviction."""

    name = "linux"
    direct_flag = _O_DIRECT

    def __init__(self) -> None:
        super().__init__()
        self._local = threading.local()
        # whoever reads in a way of its own is asked for every read
        own = type(self).read_into is not PosixIo.read_into
        self.reads_at_once = 1 if own else _reads_together()

    def _functions_of(self, library: ctypes.CDLL) -> None:
        super()._functions_of(library)
        number, text = ctypes.c_int, ctypes.c_char_p
        self._fallocate = prepared(library, "fallocate", number, number, ctypes.c_int64, ctypes.c_int64)
        self._syncfs = prepared(library, "syncfs", number)
        self._renameat2 = prepared(library, "renameat2", number, text, number, text, ctypes.c_uint)

    def read_many(self, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
        together: linux_aio.ReadsTogether | None = getattr(self._local, "together", None)
        if together is None:
            try:
                together = self._local.together = linux_aio.ReadsTogether()
            except OSError:
                self.reads_at_once = 1  # forbidden here, or all the system's room is taken
                return super().read_many(reads)
        return together.read(reads)

    def parts_shown_as(self, folder: int) -> PartsShown | None:
        return linux_attributes.parts_shown_as(folder)

    def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
        return linux_attributes.named_parts(name if name == b"." else _single(name), folder, shown_as)

    def beginning_of_part(self, name: bytes, part: bytes, folder: int, shown_as: PartsShown, most: int) -> bytes:
        return linux_attributes.beginning_of_part(name if name == b"." else _single(name), part, folder, shown_as, most)

    def allocate(self, handle: int, size: int) -> None:
        # fallocate(2) itself, not posix_fallocate: glibc emulates the latter by writing where it is missing
        while self._fallocate(handle, 0, 0, size) != 0:
            if ctypes.get_errno() != errno.EINTR:
                _raise_errno("fallocate")

    def _make_direct(self, handle: int) -> None:
        fcntl.fcntl(handle, fcntl.F_SETFL, fcntl.fcntl(handle, fcntl.F_GETFL) | _O_DIRECT)

    def flush_volume(self, handle: int) -> None:
        if self._syncfs(handle) != 0:
            _raise_errno("syncfs")

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        _single(old), _single(new)
        if self._renameat2 is None:
            self._checked_rename(old, new, folder)  # a C library older than the call
            return
        if self._renameat2(folder, old, folder, new, _RENAME_NOREPLACE) == 0:
            return
        code = ctypes.get_errno()
        if code in (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP):
            self._checked_rename(old, new, folder)  # FUSE exFAT and NTFS have no atomic form
            return
        raise OSError(code, os.strerror(code), new)

    def drop_pages(self, handle: int) -> None:
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)

    def bypasses_direct(self, handle: int) -> bool:
        try:
            answer = fcntl.ioctl(handle, _FS_IOC_GETFLAGS, bytes(8))
        except OSError:
            return False  # no such flags on this file system: nothing of the kind either
        # declared with a long, filled in as an int
        return bool(int.from_bytes(answer[:4], sys.byteorder) & _BYPASS_FLAGS)

    def kept_inside(self, handle: int) -> bool:
        try:
            answer = fcntl.ioctl(handle, _FS_IOC_FIEMAP, _FIRST_EXTENT)
        except OSError:
            return False  # a file system without such a list (exFAT, FAT) has nothing of the kind
        found = struct.unpack_from("=I", answer, 20)[0]
        flags = struct.unpack_from("=I", answer, 32 + 40)[0]
        return bool(found and flags & _DATA_INLINE)

    def device_size(self, handle: int) -> int:
        return int(struct.unpack("=Q", fcntl.ioctl(handle, _BLKGETSIZE64, b"\0" * 8))[0])


assert sys.platform != "win32"
