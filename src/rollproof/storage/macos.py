"""`Io` on macOS: what it shares with Linux is in `posix.py`, the calls of its own in `macos_calls.py`.

Not run on this system; behind the interface with unit tests on fakes. What differs: direct I/O is a property set on an
open file (F_NOCACHE) and still uses pages that are cached already, so they are thrown out first (`drop_pages`); fsync
leaves data in the drive's own cache; there is no call that flushes a whole volume and reports its errors.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
from collections.abc import Callable, Iterator

from rollproof.storage import macos_calls as mac
from rollproof.storage.io import NamedPart, PartsShown
from rollproof.storage.macos_calls import MacosCalls
from rollproof.storage.posix import PosixIo

_WINDOW_BYTES = 1 << 30
_MOST_BYTES = 1 << 30  # pwrite(2) refuses more than INT_MAX at once here
_LOWEST_BIT = bytes(value & 1 for value in range(256))
# What a file system answers to a call it does not have. Anything else is a failed drive and is never tried again in
# another way: the kernel may have dropped the pages it could not write, and the next flush would succeed over nothing.
_NO_SUCH_CALL = frozenset({errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOTTY, errno.ENOSYS})


class MacosIo(PosixIo):
    """macOS: F_NOCACHE, F_FULLFSYNC, renameatx_np, F_PREALLOCATE, eviction by msync."""

    name = "macos"

    def __init__(self, calls: MacosCalls | None = None) -> None:
        super().__init__()
        self._calls: MacosCalls = mac.SystemCalls() if calls is None else calls

    def _make_direct(self, handle: int) -> None:
        self._calls.fcntl(handle, mac.F_NOCACHE, 1)

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        if hasattr(os, "preadv"):
            return os.preadv(handle, [view], offset)
        data = os.pread(handle, len(view), offset)  # before macOS 11
        view[: len(data)] = data
        return len(data)

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        return os.pwrite(handle, view[:_MOST_BYTES], offset)

    def parts_shown_as(self, folder: int) -> PartsShown | None:
        try:
            self._calls.attribute_names(folder)
        except OSError as error:
            if error.errno in _NO_SUCH_CALL:
                return None
            raise
        return PartsShown.ATTRIBUTES

    def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
        with self._opened(name, folder) as handle:
            names = self._calls.attribute_names(handle)
            return [NamedPart(part, self._calls.attribute(handle, part, 0)[0]) for part in names]

    def beginning_of_part(self, name: bytes, part: bytes, folder: int, shown_as: PartsShown, most: int) -> bytes:
        with self._opened(name, folder) as handle:
            return self._calls.attribute(handle, part, most)[1]

    @contextlib.contextmanager
    def _opened(self, name: bytes, folder: int) -> Iterator[int]:
        """An entry of a folder, or the folder itself."""
        try:
            handle = self.open_read(name, folder, direct=False) if name != b"." else self.open_folder(name, folder)
        except OSError as error:
            if error.errno != errno.EINVAL:
                raise
            handle = self.open_folder(name, folder)  # no file: a folder
        try:
            yield handle
        finally:
            self.close(handle)

    def allocate(self, handle: int, size: int) -> None:
        extra = size - os.fstat(handle).st_size
        if extra <= 0:
            return
        try:
            self._calls.fcntl(handle, mac.F_PREALLOCATE, mac.preallocation(extra))
        except OSError as error:
            if error.errno in _NO_SUCH_CALL:
                raise OSError(errno.EOPNOTSUPP, "no preallocation on this file system") from error
            raise

    def flush(self, handle: int) -> None:
        """F_FULLFSYNC empties the drive's cache too. Where a file system has no such call (network volumes, some FUSE
        ones), F_BARRIERFSYNC at least orders what follows behind it, and fsync hands everything to the drive or the
        server: neither is a promise against a power cut. A flush that failed is never followed by a weaker one."""
        for command in (mac.F_FULLFSYNC, mac.F_BARRIERFSYNC):
            try:
                self._calls.fcntl(handle, command, 0)
            except OSError as error:
                if error.errno not in _NO_SUCH_CALL:
                    raise
            else:
                return
        os.fsync(handle)

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        try:
            self._calls.rename_exclusive(old, new, folder)
        except OSError as error:
            if error.errno not in _NO_SUCH_CALL:
                raise OSError(error.errno, os.strerror(error.errno or errno.EIO), new) from error
            self._checked_rename(old, new, folder)  # exFAT and FAT have no exclusive rename here

    def free_bytes(self, handle: int) -> int:
        # statvfs counts blocks in 32 bits here and wraps around on drives of 16 TiB and more
        return self._calls.mount_of_handle(handle).free_bytes

    # --- the page cache
    def drop_pages(self, handle: int) -> None:
        """Throw out the file's cached pages, window by window. Flush first: dirty pages stay."""
        self._over_windows(handle, os.fstat(handle).st_size, self._invalidate)

    def _invalidate(self, address: int, length: int) -> int:
        self._calls.invalidate(address, length)
        return 0

    def resident_pages(self, handle: int, size: int) -> int:
        return self._over_windows(handle, size, self._count_resident)

    def _count_resident(self, address: int, length: int) -> int:
        pages = -(-length // mmap.PAGESIZE)
        return pages - self._calls.resident(address, length, pages).translate(_LOWEST_BIT).count(0)

    def _over_windows(self, handle: int, size: int, what: Callable[[int, int], int]) -> int:
        total = 0
        for start in range(0, max(size, 0), _WINDOW_BYTES):
            length = min(_WINDOW_BYTES, size - start)
            address = self._calls.map(handle, length, start)
            try:
                total += what(address, length)
            finally:
                self._calls.unmap(address, length)
        return total

    def bypasses_direct(self, handle: int) -> bool:
        """True for files the system keeps compressed or elsewhere: their bytes come out of its own buffers."""
        flags = int(getattr(os.fstat(handle), "st_flags", 0))
        return bool(flags & (mac.UF_COMPRESSED | mac.SF_DATALESS))

    def device_size(self, handle: int) -> int:
        # seeking to the end of a device node answers 0 here
        blocks = int.from_bytes(self._calls.ioctl(handle, mac.DKIOCGETBLOCKCOUNT, 8), "little")
        return blocks * int.from_bytes(self._calls.ioctl(handle, mac.DKIOCGETBLOCKSIZE, 4), "little")
