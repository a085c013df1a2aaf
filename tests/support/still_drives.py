"""The real answers about drives, asked once: for runs by the hundred during which nobody plugs anything in."""

from __future__ import annotations

import os
from dataclasses import replace

from rollproof.drives.interface import Drives, Partition
from rollproof.models.volumes import Volume


class StillDrives:
    """`Drives` around another one. A volume is asked about once for each device number; the rest is passed on once."""

    def __init__(self, inner: Drives) -> None:
        self.inner = inner
        self.name = inner.name
        self._volumes: dict[int, Volume] = {}
        self._media: dict[int, tuple[str | None, int | None]] = {}
        self._partitions: dict[int, list[Partition] | None] = {}
        self._attached: dict[bool, list[Volume]] = {}

    def volume_of(self, path: bytes) -> Volume:
        """See `Drives`."""
        number = os.stat(path).st_dev
        if number not in self._volumes:
            self._volumes[number] = self.inner.volume_of(path)
        known = self._volumes[number]
        return replace(known, is_mount_root=os.path.realpath(path) == known.mount_point)

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See `Drives`."""
        if everything not in self._attached:
            self._attached[everything] = self.inner.volumes(everything=everything)
        return list(self._attached[everything])

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See `Drives`."""
        if volume.st_dev not in self._media:
            self._media[volume.st_dev] = self.inner.medium_now(volume)
        return self._media[volume.st_dev]

    def slept_seconds(self) -> float | None:
        """See `Drives`."""
        return 0.0

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See `Drives`."""
        if volume.st_dev not in self._partitions:
            self._partitions[volume.st_dev] = self.inner.other_partitions(volume)
        return self._partitions[volume.st_dev]

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See `Drives`."""
        return self.inner.mounts_below(path)
