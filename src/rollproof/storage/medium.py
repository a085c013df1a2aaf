"""Reading from the medium, and knowing it: evidence is earned per file, never assumed.

A successful direct open alone is no evidence (a FUSE file system answers direct reads from the block device's
cache). The ways to earn `medium` are those of `models.volumes.MediumWay`; the facts are in docs/guarantees.md.
"""

from __future__ import annotations

import contextlib
import threading
import time

from rollproof.models.volumes import Evidence, MediumWay
from rollproof.storage.io import Io

_PAUSES_SECONDS = (0.01, 0.02, 0.04, 0.08, 0.16, 0.0)
MAY_BE_INSIDE_BYTES = {MediumWay.DIRECT: 4096, MediumWay.DIRECT_AFTER_EVICTION: 64 << 10}
"""Files up to this size may be kept among the file system's own notes: on ntfs3 within one of its entries, on btrfs up
to a sector, which may be as large as any system's page."""
_EVICTING = (MediumWay.DIRECT_AFTER_EVICTION, MediumWay.MACOS_INVALIDATED)


class MediumAccess:
    """How files of one volume are read during one pass.

    `node` is the block device below a FUSE file system. Call `begin_pass` before each pass: pages that an earlier
    pass left in the block device's cache must be gone before the next one counts.
    """

    def __init__(self, io: Io, way: MediumWay, node: str = "", *, at_once: int = 1) -> None:
        """`at_once` small files may be read together, where the system can do that."""
        self._io = io
        self._way = way
        self._node = node
        self.at_once = at_once
        self._device_pages_gone = False
        self._lock = threading.Lock()

    def begin_pass(self) -> None:
        """Make ready for a pass; for a FUSE file system drop the device's pages and look whether they are gone."""
        self._device_pages_gone = False
        if self._way is not MediumWay.DEVICE_PAGES_DROPPED or not self._node:
            return
        try:
            device = self._io.open_device(self._node)
        except OSError:
            return  # not allowed to look at the device: the evidence stays `cache`
        try:
            with contextlib.suppress(OSError):
                self._io.flush(device)
            for pause in _PAUSES_SECONDS:
                self._io.drop_pages(device)
                self._device_pages_gone = self._io.resident_pages(device, self._io.device_size(device)) == 0
                if self._device_pages_gone:
                    break
                # somebody else may be reading the device this very moment, as whoever lists drives does: what counts
                # is one moment in which nothing of it is in the cache
                time.sleep(pause)
        except OSError:
            self._device_pages_gone = False
        finally:
            with contextlib.suppress(OSError):  # nothing was written through it
                self._io.close(device)

    def forget(self) -> None:
        """Before a single small file is read again: drop what the block device below a FUSE file system may still
        hold. Whether it is gone is not looked for; `begin_pass` does that, once for a whole pass."""
        if self._way is not MediumWay.DEVICE_PAGES_DROPPED or not self._node:
            return
        with contextlib.suppress(OSError):  # not allowed to touch the device: a cache may answer, as for every copy
            device = self._io.open_device(self._node)
            try:
                self._io.flush(device)
                self._io.drop_pages(device)
            finally:
                self._io.close(device)

    @property
    def wants_direct(self) -> bool:
        """Whether to try direct I/O first."""
        return True

    def evidence(self, handle: int, size: int, *, direct: bool) -> Evidence:
        """What reading this open file from here on is worth; called before its first byte is read.

        For ways that evict, the file's pages are dropped here and looked for.
        """
        way = self._way
        if way is MediumWay.DIRECT:
            return Evidence.MEDIUM if direct and self._skips_caches(handle, size) else Evidence.CACHE
        if way is MediumWay.DEVICE_PAGES_DROPPED:
            return Evidence.MEDIUM if direct and self._device_pages_gone else Evidence.CACHE
        if way is MediumWay.WINDOWS_UNBUFFERED:
            return Evidence.MEDIUM if direct and not self._io.bypasses_direct(handle) else Evidence.CACHE
        if way in _EVICTING:
            skips = direct and self._skips_caches(handle, size)
            return Evidence.MEDIUM if skips and self._evicted(handle, size) else Evidence.CACHE
        if way is MediumWay.SERVER:
            # on macOS a direct read still takes the pages that are cached already
            skips = direct and self._io.name != "macos"
            return Evidence.SERVER if skips or self._evicted(handle, size) else Evidence.CACHE
        return Evidence.CACHE

    def _skips_caches(self, handle: int, size: int) -> bool:
        """Whether a direct read of this file really asks the device, as far as the system tells."""
        if self._io.bypasses_direct(handle):
            return False
        return not (0 < size <= MAY_BE_INSIDE_BYTES.get(self._way, 0) and self._io.kept_inside(handle))

    def _evicted(self, handle: int, size: int) -> bool:
        try:
            self._io.drop_pages(handle)
            return self._io.resident_pages(handle, size) == 0
        except OSError:
            return False
