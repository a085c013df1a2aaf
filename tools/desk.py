"""A card and drives that are real to the computer: small disk images, each on a loop device of its own, mounted.

For the demo and for the page about a shooting day. Needs Linux, root and a handful of system tools. Whatever was
mounted or attached is taken away again when the `with` block ends, also after Ctrl-C; what a kill left behind is taken
away by `clear_away` at the next start.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from support import loops
from support.devices import Devices, Drive, unmount_anyhow

_TOOLS = ("losetup", "mount", "umount", "mkfs.ext4")
CARD_BYTES = 12 << 20
DRIVE_BYTES = 20 << 20


def why_no_desk() -> str:
    """Why this machine cannot have real cards and drives in image files; empty when it may."""
    if sys.platform != "linux":
        return "disk images can be mounted so on Linux only"
    if os.geteuid() != 0:
        return "mounting disk images needs root (try: sudo make demo)"
    missing = [name for name in _TOOLS if shutil.which(name) is None]
    if missing:
        return f"missing: {', '.join(missing)}"
    return "" if os.path.exists("/dev/loop-control") else "this machine offers no loop devices"


def clear_away(folder: Path) -> None:
    """Unmount and detach whatever a killed run left below a folder."""
    with open("/proc/self/mounts", encoding="utf-8", errors="replace") as table:
        mounts = [line.split(" ")[1].replace("\\040", " ") for line in table]
    for mount in sorted((mount for mount in mounts if mount.startswith(f"{folder}/")), reverse=True):
        unmount_anyhow(Path(mount))
    listed = subprocess.run(["losetup", "--list", "--noheadings", "--output", "NAME,BACK-FILE"],
                            capture_output=True, text=True, check=False)  # fmt: skip
    for line in listed.stdout.splitlines():
        node, _, image = line.partition(" ")
        if image.strip().startswith(f"{folder}/"):
            loops.detach(node, wait_seconds=0.5)


class Desk:
    """Cards and drives below one folder: `with Desk(folder) as desk`. Raises OSError or ToolFailed where the machine
    does not let it."""

    def __init__(self, folder: Path) -> None:
        self._images = folder / "images"
        self._devices = Devices(folder)
        self._before: object = None

    def __enter__(self) -> Self:
        # being told to end is the same as Ctrl-C: nothing may stay mounted
        self._before = signal.signal(signal.SIGTERM, signal.default_int_handler)
        self._images.mkdir(parents=True, exist_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        keep = signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second Ctrl-C waits for the cleaning up
        try:
            self._devices.__exit__(kind, error, trace)
            shutil.rmtree(self._images, ignore_errors=True)
        finally:
            signal.signal(signal.SIGINT, keep)

    def card(self, mount: Path, label: str = "") -> Drive:
        """A small card, mounted there."""
        return self._image(mount, CARD_BYTES, label)

    def drive(self, mount: Path, label: str = "") -> Drive:
        """A small drive, mounted there."""
        return self._image(mount, DRIVE_BYTES, label)

    def _image(self, mount: Path, size_bytes: int, label: str) -> Drive:
        image = self._images / f"{mount.name}.img"
        image.touch()
        os.truncate(image, size_bytes)
        loops.tool("mkfs.ext4", "-q", "-F", "-m", "0", "-O", "^has_journal", "-L", label or mount.name, image)
        made = Drive(image, mount, "ext4")
        self._devices.on_exit().callback(made.give_up)
        made.plug_in()
        (mount / "lost+found").rmdir()
        return made
