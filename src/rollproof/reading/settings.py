"""Sizes and waits of the engine, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass

from rollproof.models.volumes import Device, MediumWay, Volume
from rollproof.storage.deadline import Patience

_OF_THE_KERNEL = (MediumWay.DIRECT, MediumWay.DIRECT_AFTER_EVICTION)
ALIGNMENT = 4096
"""Direct I/O wants offsets, lengths and addresses aligned to the sector; 4096 fits every device seen."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Defaults are what measured best; tests make everything small."""

    block_bytes: int = 8 << 20
    """One read or write. 1 MiB blocks gave half the speed of 8 MiB on a disk."""
    small_file_bytes: int = 1 << 20
    """Files up to this size travel several to a block."""
    gathered_bytes: int = 2 << 20
    """So much of a block such files fill, rounded up to whole sectors: a card of tiny files touches a quarter of the
    memory that large files do, and what is read is still in the processor's cache when it is hashed and written."""
    copy_buffers: int = 9
    """Blocks in flight while the card is read first: reads in flight, hash lag and drive lag together."""
    pass_buffers: int = 3
    """Blocks in flight in one hash-only pass: two being read, one being hashed."""
    read_depth: int = 4
    """Reads in flight on the card; a single one leaves a third of a device unused."""
    pass_depth: int = 2
    """Reads in flight in a hash-only pass; the passes run side by side."""
    reads: int = 0
    """Reads in flight on every device, where somebody asked for so many; 0: what each device is good for."""
    files_at_once: int = 32
    """Small files whose reads are handed to the system together, where it can take them so."""
    flush_files: int = 1000
    """Small files written before the volume is flushed and they get their final names."""
    flush_bytes: int = 256 << 20
    """Bytes of small files written before the same."""
    flush_open_files: int = 32
    """Small files written, and kept open, before they are flushed where each is flushed alone; fewer where the system
    allows few open files (`Io.open_together`)."""
    flush_large_bytes: int = 64 << 20
    """Bytes of a large file, or of such small ones, written through the cache before they are flushed: a flush of many
    gigabytes at once takes longer on a slow drive than a drive may be silent."""
    flushes_at_once: int = 8
    """Small files flushed at the same time where each is flushed alone."""
    read_retries: int = 3
    """Attempts at a block that cannot be read, before its file is given up."""
    lost_after_files: int = 8
    """Files in a row that cannot be read before the card (or drive) counts as gone."""
    behind_seconds: float = 0.6
    """How long, in sum, a drive must have held all others back before they go on without it. Short, so that a card of
    a few gigabytes gains by it too; that waits are no chance is judged by how much they differ, not by their sum."""
    behind_share: float = 0.2
    """The share of the time that this must have been: a drive a little slower than the rest is worth waiting for."""
    behind_once_seconds: float = 10.0
    """A single wait for a drive counts alone from here on: a flush, or a disk that wakes up, takes long once."""
    stall_seconds: float = 120.0
    """A drive that answers nothing for so long is left behind, and named."""
    workers_end_seconds: float = 5.0
    """How long a pass that ends early waits for its reads under way; then their handles are left open."""
    cancel_seconds: float = 2.0
    """How long an asked-for end waits for drives that are in the middle of a call."""

    @property
    def patience(self) -> Patience:
        """How long a job waits for one device. Those who watch their own reads say more precisely what hangs, and are
        let say it first."""
        seconds = self.stall_seconds + self.workers_end_seconds + self.cancel_seconds
        return Patience(seconds, self.cancel_seconds, self.stall_seconds)

    def files_on(self, volume: Volume) -> int:
        """Small files that one worker reads at once on a volume: only on file systems of the kernel's own on a local
        device, because a process cannot end while reads that it handed over are under way, and a FUSE program or a
        server may never answer. One where heads travel between them, and where somebody asked for a number of reads. A
        disk that does not say whether it turns is a virtual one, wherever reads can be handed over together."""
        device = volume.device
        turns = device.kind == "disk" and device.rotational
        local = volume.way in _OF_THE_KERNEL or volume.file_system == "tmpfs"
        return 1 if self.reads or turns or not local else self.files_at_once

    def flushes_on(self, volume: Volume) -> int:
        """Small files flushed at the same time on a volume where each is flushed alone: one where heads travel between
        them, or may, and where a FUSE program answers one call after the other anyway."""
        device = volume.device
        may_spin = device.kind == "disk" and device.rotational is not False
        return 1 if may_spin or volume.way is MediumWay.DEVICE_PAGES_DROPPED else self.flushes_at_once

    def reads_on(self, device: Device, usual: int) -> int:
        """Reads in flight on a device: `usual`, or few where heads may have to travel between them."""
        if self.reads:
            return self.reads
        may_spin = device.kind == "disk" and device.rotational is not False
        return min(usual, 2) if may_spin else usual
