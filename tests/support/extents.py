"""Where a file's bytes lie on the medium, and changing them there behind the file system's back."""

from __future__ import annotations

import fcntl
import mmap
import os
import struct
from pathlib import Path

from support.counting import FAULTS

_FS_IOC_FIEMAP = 0xC020660B
_FIEMAP_FLAG_SYNC = 0x1
_FIEMAP_EXTENT_LAST = 0x1
_HEADER = struct.Struct("=QQLLLL")
_EXTENT = struct.Struct("=QQQ16xL12x")
_DIRECT_EXTENTS = frozenset({"ext4", "xfs"})
_SAMPLE = 64


def extents(handle: int) -> list[tuple[int, int, int]]:
    """(logical, physical, length) of every extent of an open file, in bytes, by FIEMAP after a sync of the file."""
    found: list[tuple[int, int, int]] = []
    start = 0
    while True:
        room = 128
        buffer = bytearray(_HEADER.size + room * _EXTENT.size)
        _HEADER.pack_into(buffer, 0, start, (1 << 63) - 1, _FIEMAP_FLAG_SYNC, 0, room, 0)
        fcntl.ioctl(handle, _FS_IOC_FIEMAP, buffer, True)
        mapped = _HEADER.unpack_from(buffer)[3]
        if not mapped:
            return found
        for index in range(mapped):
            logical, physical, length, flags = _EXTENT.unpack_from(buffer, _HEADER.size + index * _EXTENT.size)
            found.append((logical, physical, length))
            if flags & _FIEMAP_EXTENT_LAST:
                return found
            start = logical + length


def on_medium(image: Path, path: Path | bytes, offset: int, file_system: str) -> int:
    """The offset in `image` at which the byte `offset` of the mounted file `path` lies.

    ext4 and xfs tell it themselves (the byte there is compared with the file all the same); btrfs speaks of its own
    address space and FUSE file systems of nothing, so their images are searched for the content around the byte.
    Raises LookupError when it is not there, or there more than once.
    """
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
        start = max(0, min(offset, os.fstat(handle).st_size - _SAMPLE))
        sample = os.pread(handle, _SAMPLE, start)
        if file_system in _DIRECT_EXTENTS:
            candidates = [
                physical + start - logical
                for logical, physical, length in extents(handle)
                if logical <= start < logical + length
            ]
        else:
            candidates = _search(image, sample)
    finally:
        os.close(handle)
    if len(candidates) != 1:
        raise LookupError(f"{path!r} at {offset}: {len(candidates)} places on {image.name}")
    with image.open("rb") as medium:
        medium.seek(candidates[0])
        # nearly the same is the same: a byte of it may have been flipped before
        if sum(a == b for a, b in zip(medium.read(_SAMPLE), sample, strict=False)) < len(sample) * 0.9:
            raise LookupError(f"{path!r} at {offset}: another byte on {image.name}; not written back yet?")
    return candidates[0] + offset - start


def _search(image: Path, sample: bytes) -> list[int]:
    found: list[int] = []
    with image.open("rb") as medium, mmap.mmap(medium.fileno(), 0, prot=mmap.PROT_READ) as window:
        at = window.find(sample)
        while at >= 0:
            found.append(at)
            at = window.find(sample, at + 1)
    return found


def flip(image: Path, offset: int, mask: int = 0x01) -> None:
    """Flip bits of one byte of the image. By XOR, so it always changes something."""
    if not 0 < mask < 256:
        raise ValueError("a mask of zero would change nothing")
    handle = os.open(image, os.O_RDWR)
    try:
        before = os.pread(handle, 1, offset)
        os.pwrite(handle, bytes([before[0] ^ mask]), offset)
    finally:
        os.close(handle)
    FAULTS.add("bit flipped on the medium")
