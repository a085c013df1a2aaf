"""Real drives for tests: loop images of four file systems and small tmpfs, made, broken and cleaned up again.

    with Devices(tmp_path) as devices:
        drive = devices.image("ext4")
        ...                                # write below drive.mount
        drive.flip(drive.mount / "a.mov", 1000)

Everything is undone when the block ends, whatever happened inside.
"""

from __future__ import annotations

import contextlib
import fcntl
import functools
import mmap
import os
import shutil
import struct
import subprocess
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from support import extents, loops
from support.counting import FAULTS
from support.loops import ToolFailed, tool, until

FILE_SYSTEMS = ("ext4", "xfs", "btrfs", "exfat")

_SIZES = {"ext4": 64 << 20, "xfs": 320 << 20, "btrfs": 160 << 20, "exfat": 64 << 20, "ntfs": 64 << 20}
_MAKE: dict[str, tuple[str, ...]] = {
    # (nothing left to be written by the kernel on its own later: a test means the writes of those at work)
    "ext4": ("mkfs.ext4", "-q", "-F", "-E", "nodiscard,lazy_itable_init=0,lazy_journal_init=0", "-m", "0"),
    "xfs": ("mkfs.xfs", "-q", "-f", "-K"),
    "btrfs": ("mkfs.btrfs", "-q", "-f", "-K", "-d", "single", "-m", "single"),
    "exfat": ("mkfs.exfat",),
    "ntfs": ("mkfs.ntfs", "-q", "-F", "-f"),
}
_TOOLS = (
    "losetup",
    "mount",
    "umount",
    "strace",
    "fusermount3",
    "mount.exfat-fuse",
    "ntfs-3g",
    *(words[0] for words in _MAKE.values()),
)

# xfs_fs.h XFS_IOC_GOINGDOWN and ext4.h EXT4_IOC_SHUTDOWN are one number with one set of flavours
_SHUTDOWN = 0x8004587D
_LOG_FLUSHED = 1
_LOG_LOST = 2
_FREEZE = 0xC0045877
_THAW = 0xC0045878


@functools.cache
def why_no_devices() -> str:
    """Why real devices cannot be had here; empty when they can."""
    if os.name != "posix" or os.uname().sysname != "Linux":
        return "real devices are tested on Linux"
    if os.geteuid() != 0:
        return "real devices need root"
    missing = [name for name in _TOOLS if shutil.which(name) is None]
    missing += [node for node in ("/dev/loop-control", "/dev/fuse") if not os.path.exists(node)]
    return f"missing: {', '.join(missing)}" if missing else ""


class Drive:
    """One mounted image. `mount` is the mount point, `image` the file beneath, `node` the loop device."""

    def __init__(self, image: Path, mount: Path, file_system: str, *, sector_bytes: int | None = None) -> None:
        self.image = image
        self.mount = mount
        self.file_system = file_system
        self.sector_bytes = sector_bytes
        self.node = ""
        self.read_only = False
        self._frozen = False
        mount.mkdir(parents=True, exist_ok=True)

    # --- coming and going
    def plug_in(self, *, read_only: bool = False, options: str = "") -> Self:
        """Attach the image and mount it; `read_only` mounts it so (a card with its lock switch on)."""
        self.read_only = read_only
        words = ",".join(word for word in ("ro" if read_only else "rw", options) if word)
        for left in reversed(range(3)):
            self.node = loops.attach(self.image, sector_bytes=self.sector_bytes)
            try:
                self._mount(words)
            except ToolFailed:
                # whoever else uses loop devices here may have detached a node of theirs that had become ours
                if not left or loops.backing(self.node) == os.fspath(self.image):
                    raise
            else:
                break
        return self

    def _mount(self, words: str) -> None:
        if self.file_system == "exfat":
            tool("mount.exfat-fuse", "-o", words, self.node, self.mount)
            until(lambda: is_mounted(self.mount))
        elif self.file_system == "ntfs":
            tool("ntfs-3g", "-o", words, self.node, self.mount)
            until(lambda: is_mounted(self.mount))
        else:
            tool("mount", "-t", self.file_system, "-o", words, self.node, self.mount)

    def unplug(self) -> None:
        """Unmount (waiting for open files to be closed is the caller's work) and detach: the tidy way."""
        self.thaw()
        if is_mounted(self.mount):
            tool("umount", self.mount)
        loops.detach(self.node)

    def replug(self, *, read_only: bool | None = None) -> None:
        """Unplug and plug in again: the medium was away, with another disk sequence number to show for it."""
        self.unplug()
        self.plug_in(read_only=self.read_only if read_only is None else read_only)

    @property
    def disk_sequence(self) -> int:
        """As the kernel counts it now."""
        return loops.disk_sequence(self.node)

    # --- faults
    def pull(self) -> None:
        """The cable is pulled under a live mount: the device ends after its first 4 KiB and answers errors."""
        loops.limit_size(self.node, 4096)
        FAULTS.add("drive pulled")

    def cut_power(self, *, log_flushed: bool) -> None:
        """Stop the file system dead (ext4, xfs): what was not on the medium never will be. Both flavours: with the
        journal's last entries flushed, or lost. Follow with `replug`, which replays the journal."""
        handle = os.open(self.mount, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.ioctl(handle, _SHUTDOWN, struct.pack("=I", _LOG_FLUSHED if log_flushed else _LOG_LOST))
        finally:
            os.close(handle)
        FAULTS.add("power cut, journal flushed" if log_flushed else "power cut, journal lost")

    def turn_read_only(self) -> None:
        """The file system turns read-only, even with files open for writing (ext4 by aborting its journal)."""
        option = "remount,abort" if self.file_system == "ext4" else "remount,ro"
        tool("mount", "-o", option, self.mount)
        FAULTS.add("drive turned read-only")

    def unmount_lazily(self) -> None:
        """The mount point becomes the parent's empty folder while open handles live on."""
        tool("umount", "--lazy", self.mount)
        FAULTS.add("lazy unmount")

    def freeze(self) -> None:
        """Every writer from now on waits uninterruptibly until `thaw`; reads go on (ext4, xfs, btrfs)."""
        self._freezing(_FREEZE)
        self._frozen = True
        FAULTS.add("drive frozen")

    def thaw(self) -> None:
        """Let frozen writers go on."""
        if self._frozen:
            self._freezing(_THAW)
            self._frozen = False

    def _freezing(self, request: int) -> None:
        handle = os.open(self.mount, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.ioctl(handle, request, 0)
        finally:
            os.close(handle)

    def fill(self, *, leave_bytes: int = 0) -> Path:
        """Somebody else fills the drive; the file that does it, so that it can be removed again."""
        blocker = self.mount / "somebody else's file"
        handle = os.open(blocker, os.O_WRONLY | os.O_CREAT, 0o644)
        try:
            piece = bytes(1 << 16)
            for size in (len(piece), 4096, 512):
                try:
                    while _free_bytes(handle) > leave_bytes and os.write(handle, piece[:size]):
                        pass
                except OSError:
                    continue  # full at this size: go on with smaller pieces
        finally:
            os.close(handle)
        FAULTS.add("drive filled by somebody else")
        return blocker

    def flip(self, path: Path, offset: int, mask: int = 0x01) -> None:
        """Flip bits of one byte of a file on the medium; whatever caches hold the good block keep it."""
        extents.flip(self.image, extents.on_medium(self.image, path, offset, self.file_system), mask)

    def forget_device_pages(self) -> None:
        """Drop the block device's own cached pages (what a FUSE file system reads through)."""
        handle = os.open(self.node, os.O_RDONLY)
        try:
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(handle)

    def give_up(self) -> None:
        """Clean up whatever is left, without ever failing."""
        with contextlib.suppress(OSError, ToolFailed, subprocess.SubprocessError):
            self.thaw()
        unmount_anyhow(self.mount)
        if self.node:
            with contextlib.suppress(OSError, ToolFailed, subprocess.SubprocessError):
                loops.detach(self.node, wait_seconds=0.5)


def unmount_anyhow(mount: Path) -> None:
    """Unmount, lazily if need be, until nothing is mounted there."""
    for _ in range(5):
        if not is_mounted(mount):
            return
        with contextlib.suppress(OSError, subprocess.SubprocessError):
            tool("umount", mount, check=False)
        if is_mounted(mount):
            with contextlib.suppress(OSError, subprocess.SubprocessError):
                tool("umount", "--lazy", mount, check=False)


def is_mounted(mount: Path) -> bool:
    """Whether something is mounted exactly there, by the mount table: a dead file system answers no stat."""
    escaped = os.fsencode(mount).replace(b" ", b"\\040")
    with open("/proc/self/mounts", "rb") as table:
        return any(line.split(b" ")[1] == escaped for line in table)


def _free_bytes(handle: int) -> int:
    found = os.fstatvfs(handle)
    return found.f_bavail * found.f_frsize


class Devices:
    """Makes drives below one folder and takes them all away again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._cleaning = contextlib.ExitStack()
        self._number = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._cleaning.close()

    def on_exit(self) -> contextlib.ExitStack:
        """Where helpers of the same family register their own cleaning up."""
        return self._cleaning

    def place(self, name: str) -> Path:
        """A new path in the folder, never used before."""
        self._number += 1
        return self.folder / f"{self._number}-{name}"

    def image(
        self,
        file_system: str = "ext4",
        *,
        size_bytes: int | None = None,
        sector_bytes: int | None = None,
        make_options: tuple[str, ...] = (),
        plugged: bool = True,
        name: str = "",
    ) -> Drive:
        """A new drive: a sparse image with an empty file system, mounted (at `name`) unless told otherwise.

        `sector_bytes` 4096 gives a disk on which direct I/O needs that alignment.
        """
        image = self.place(f"{file_system}.img")
        image.touch()
        os.truncate(image, size_bytes or _SIZES[file_system])
        mount = self.folder / name if name else self.place(file_system)
        drive = Drive(image, mount, file_system, sector_bytes=sector_bytes)
        self._cleaning.callback(drive.give_up)
        if sector_bytes:
            # made through the device, so that the file system knows the sector size
            node = loops.attach(image, sector_bytes=sector_bytes)
            try:
                tool(*_MAKE[file_system], *make_options, node)
            finally:
                loops.detach(node)
        else:
            tool(*_MAKE[file_system], *make_options, image)
        return drive.plug_in() if plugged else drive

    def tmpfs(self, size_bytes: int = 8 << 20) -> Path:
        """A small file system in memory."""
        mount = self.place("tmpfs")
        mount.mkdir(parents=True)
        self._cleaning.callback(unmount_anyhow, mount)
        tool("mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", mount)
        return mount

    def bind(self, source: Path, *, read_only: bool = False) -> Path:
        """The same folder at a second mount point."""
        mount = self.place("bind")
        mount.mkdir(parents=True)
        self._cleaning.callback(unmount_anyhow, mount)
        tool("mount", "--bind", source, mount)
        if read_only:
            tool("mount", "-o", "remount,bind,ro", mount)
        return mount


class _Buffers(threading.local):
    """An aligned buffer for each thread: a new one for every file would cost more than the reading."""

    def __init__(self) -> None:
        self.one = mmap.mmap(-1, 1 << 20)


_BUFFERS = _Buffers()


def read_direct(path: Path | bytes) -> bytes:
    """The content as direct I/O gives it: from the medium on ext4 and xfs, whatever the page cache holds."""
    handle = os.open(path, os.O_RDONLY | os.O_DIRECT)
    try:
        out = bytearray()
        while count := os.preadv(handle, [_BUFFERS.one], len(out)):
            out += _BUFFERS.one[:count]
        return bytes(out)
    finally:
        os.close(handle)


def read_warm(path: Path | bytes) -> bytes:
    """The content as ordinary reads give it: from the page cache where it holds it."""
    with open(path, "rb") as opened:
        return opened.read()
