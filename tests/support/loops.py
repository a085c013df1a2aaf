"""Loop devices: attach, take away under a live mount, detach. Root only."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import struct
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

_LOOP_CTL_GET_FREE = 0x4C82
_LOOP_SET_STATUS64 = 0x4C04
_LOOP_GET_STATUS64 = 0x4C05
_LOOP_MAJOR = 7
# struct loop_info64: device, inode, rdevice, offset, sizelimit, then number, encryption, flags and names
_INFO_BYTES = 232
_SIZELIMIT = struct.Struct("=Q")
_SIZELIMIT_AT = 32


class ToolFailed(RuntimeError):
    """A system tool ended with an error; its words are in the message."""


def tool(*words: str | bytes | Path, check: bool = True) -> str:
    """Run a system tool; its standard output. Raises ToolFailed with what it said."""
    done = subprocess.run([os.fspath(word) for word in words], capture_output=True, check=False, timeout=60)
    if check and done.returncode:
        said = (done.stderr + done.stdout).decode("utf-8", "replace").strip()
        raise ToolFailed(f"{words!r}: {said}")
    return done.stdout.decode("utf-8", "replace").strip()


def until(met: Callable[[], bool], seconds: float = 10.0) -> bool:
    """Wait for the kernel to get round to something it does in its own time; whether it did within `seconds`."""
    limit = time.monotonic() + seconds
    while not met():
        if time.monotonic() > limit:
            return False
        time.sleep(0.01)
    return True


def attach(image: Path, *, sector_bytes: int | None = None, read_only: bool = False) -> str:
    """Attach an image to a free loop device; its node. Another process may take the free one first: try the next."""
    words: list[str | Path] = ["losetup", "--find", "--show"]
    if sector_bytes:
        words += ["--sector-size", str(sector_bytes)]
    if read_only:
        words += ["--read-only"]
    for _ in range(20):
        _make_a_free_node()
        try:
            return tool(*words, image)
        except ToolFailed as failed:
            if "busy" not in str(failed).lower() and "no such" not in str(failed).lower():
                raise
    raise ToolFailed(f"no free loop device for {image}")


def _make_a_free_node() -> None:
    control = os.open("/dev/loop-control", os.O_RDWR | os.O_CLOEXEC)
    try:
        number = fcntl.ioctl(control, _LOOP_CTL_GET_FREE)
    finally:
        os.close(control)
    node = f"/dev/loop{number}"
    if not os.path.exists(node):
        try:
            os.mknod(node, 0o600 | stat.S_IFBLK, os.makedev(_LOOP_MAJOR, number))
        except FileExistsError:
            pass  # the kernel's own devtmpfs was faster


def backing(node: str) -> str | None:
    """The file a loop device stands on, or None when it is free."""
    try:
        with open(f"/sys/block/{os.path.basename(node)}/loop/backing_file", encoding="utf-8") as told:
            return told.read().strip()
    except OSError:
        return None


def disk_sequence(node: str) -> int:
    """The kernel's count of media seen; it grows with every attachment."""
    with open(f"/sys/block/{os.path.basename(node)}/diskseq", encoding="ascii") as told:
        return int(told.read())


def detach(node: str, *, wait_seconds: float = 5) -> None:
    """Detach, and wait until the kernel let go (it may do so only after the last close)."""
    before = backing(node)
    if before is None:
        return
    tool("losetup", "--detach", node, check=False)
    until(lambda: backing(node) != before, wait_seconds)


def limit_size(node: str, size_bytes: int) -> None:
    """Let an attached loop device end after `size_bytes`: everything beyond answers EIO, as after a pulled cable.

    0 gives it back its whole size. The image itself is not touched.
    """
    device = os.open(node, os.O_RDWR | os.O_CLOEXEC)
    try:
        info = bytearray(_INFO_BYTES)
        for _ in range(50):
            try:
                fcntl.ioctl(device, _LOOP_GET_STATUS64, info, True)
                _SIZELIMIT.pack_into(info, _SIZELIMIT_AT, size_bytes)
                fcntl.ioctl(device, _LOOP_SET_STATUS64, info, True)
                return
            except OSError as failed:
                if failed.errno != errno.EAGAIN:  # pages came back while they were being dropped
                    raise
        raise ToolFailed(f"{node} does not change its size")
    finally:
        os.close(device)
