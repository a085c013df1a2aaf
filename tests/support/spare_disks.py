"""Disk images that stand for disks, wherever their files lie: in memory, so that many runs are quick, or on a file
system that goes wrong on demand, so that the disk does.

The tool itself believes neither: an image in memory is no device, and one on another mounted drive is that drive.
"""

from __future__ import annotations

import os
from dataclasses import replace

from rollproof.drives.identity import image_key
from rollproof.drives.interface import Drives, Partition
from rollproof.drives.ways import way_for
from rollproof.models.volumes import Volume
from support import loops


class SpareDisks:
    """`Drives` around the system's, to which each disk image is a disk of its own that is read without a cache."""

    def __init__(self, inner: Drives) -> None:
        self.inner = inner
        self.name = inner.name

    def _as_disk(self, volume: Volume) -> Volume:
        device = volume.device
        if not device.node.startswith("/dev/loop"):
            return volume
        key = image_key("a bench", loops.backing(device.node) or device.node)
        disk = replace(device, key=key, kind="loop", cached_beneath=False)
        return replace(volume, device=disk, way=way_for(volume.file_system, volume.options, disk))

    def volume_of(self, path: bytes) -> Volume:
        """See `Drives`."""
        return self._as_disk(self.inner.volume_of(path))

    def volumes(self, *, everything: bool = False) -> list[Volume]:
        """See `Drives`."""
        return [self._as_disk(volume) for volume in self.inner.volumes(everything=everything)]

    def medium_now(self, volume: Volume) -> tuple[str | None, int | None]:
        """See `Drives`."""
        return self.inner.medium_now(volume)

    def slept_seconds(self) -> float | None:
        """See `Drives`."""
        return self.inner.slept_seconds()

    def other_partitions(self, volume: Volume) -> list[Partition] | None:
        """See `Drives`."""
        return self.inner.other_partitions(volume)

    def mounts_below(self, path: bytes) -> list[bytes]:
        """See `Drives`."""
        return self.inner.mounts_below(os.fsencode(path))
