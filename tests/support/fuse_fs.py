"""A pass-through file system of our own, in a process of its own, that goes wrong on demand.

    with FaultyFolder(tmp_path / "behind", tmp_path / "mount") as folder:
        folder.set_rules([FuseRule("read", {"errno": errno.EIO}, path="*.mov", first_byte=65536, last_byte=131071)])

Below it every call passes through a real kernel: page cache, uninterruptible waits, dying daemons and all. One big file
in it, on a loop device, is a faulty disk (`FaultyDisk`).
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from support.counting import FAULTS
from support.devices import Devices, Drive, is_mounted, unmount_anyhow
from support.loops import ToolFailed, tool, until


@dataclass(frozen=True, slots=True)
class FuseRule:
    """When the daemon goes wrong, and how. All that is given must match.

    `operation` is a FUSE call (`read`, `write`, `fsync`, `create`, `open`, `rename`, `getattr`, `flush` …), `path` a
    pattern on the path below the mount, the bytes `first_byte` to `last_byte` must be touched by a read or write of
    at least `least_bytes`, and the `nth` matching call is hit; with `onward` every later one too.

    `fault` is one of: `{"errno": n}`; `{"short": true}`; `{"flip": mask}` (at `first_byte`, else in the middle);
    `{"stale": mask}` (a write reaches the medium with a flipped bit, while reads are answered with the good bytes
    until `forget`); `{"lose": true}`; `{"stall": true}` (until `release`); `{"seconds": n}` (it takes so much longer);
    `{"die": true}` (the daemon is gone).
    """

    operation: str
    fault: dict[str, Any]
    path: str = "*"
    first_byte: int = 0
    last_byte: int = (1 << 62) - 1
    least_bytes: int = 0
    nth: int = 1
    onward: bool = False


class FaultyFolder:
    """`behind` mounted at `mount` through the daemon. With `direct_io` the kernel keeps no pages of its files.

    `fsname` and `subtype` are what it says of itself in the mount table: anything it likes.
    """

    def __init__(
        self,
        behind: Path,
        mount: Path,
        *,
        direct_io: bool = False,
        fsname: str = "faulty",
        subtype: str = "rollprooftest",
    ) -> None:
        self.behind = behind
        self.mount = mount
        behind.mkdir(parents=True, exist_ok=True)
        mount.mkdir(parents=True, exist_ok=True)
        self._counted: dict[str, int] = {}
        self._talking = threading.Lock()
        library = os.environ.get("FUSE_LIBRARY_PATH") or _libfuse3()
        self._daemon = subprocess.Popen(
            [
                sys.executable,
                str(Path(__file__).with_name("fuse_daemon.py")),
                behind,
                mount,
                str(int(direct_io)),
                fsname,
                subtype,
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "FUSE_LIBRARY_PATH": library},
            start_new_session=True,
        )
        try:
            if not until(lambda: is_mounted(mount) or self._daemon.poll() is not None) or not is_mounted(mount):
                raise ToolFailed(f"the FUSE daemon did not mount {mount}")
        except BaseException:
            self.close()
            raise

    @property
    def pid(self) -> int:
        """Of the daemon."""
        return self._daemon.pid

    def set_rules(self, rules: Sequence[FuseRule]) -> None:
        """Replace all rules; counting starts anew."""
        self._ask({"rules": [asdict(rule) for rule in rules]})

    def release(self) -> None:
        """Let stalled calls go on, and stall no more."""
        self._ask({"release": True})

    def forget(self) -> None:
        """The daemon's cache is gone, as after a replug: from now on the medium answers."""
        self._ask({"forget": True})

    @property
    def injected(self) -> dict[str, int]:
        """Faults that happened, by kind."""
        with contextlib.suppress(OSError, ValueError):
            self._ask({})
        return dict(self._counted)

    def kill(self) -> None:
        """The daemon dies: the file system answers nothing but errors."""
        self._daemon.kill()
        self._daemon.wait(10)
        FAULTS.add("FUSE: daemon killed")

    def _ask(self, words: dict[str, Any]) -> None:
        with self._talking:
            assert self._daemon.stdin is not None
            assert self._daemon.stdout is not None
            self._daemon.stdin.write(json.dumps(words).encode() + b"\n")
            self._daemon.stdin.flush()
            told: dict[str, int] = json.loads(self._daemon.stdout.readline())
        for kind, count in told.items():
            FAULTS.add(f"FUSE: {kind}", count - self._counted.get(kind, 0))
        self._counted = told

    def close(self) -> None:
        """Unmount and end the daemon, whatever state it is in."""
        if self._daemon.poll() is None:
            with contextlib.suppress(OSError, ValueError):
                self.release()
        unmount_anyhow(self.mount)
        try:
            self._daemon.wait(5)
        except subprocess.TimeoutExpired:
            self._daemon.kill()
            self._daemon.wait(5)
        for pipe in (self._daemon.stdin, self._daemon.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class FaultyDisk:
    """A disk that goes wrong: a file in a `FaultyFolder`, on a loop device, with a file system in it.

    `drive` is mounted and ready. Rules speak of bytes of the disk; `where` tells which those are for a byte of a file.
    """

    def __init__(
        self, devices: Devices, file_system: str = "ext4", *, size_bytes: int | None = None, name: str = ""
    ) -> None:
        self.drive: Drive = devices.image(file_system, size_bytes=size_bytes, plugged=False, name=name)
        behind = devices.place("behind")
        behind.mkdir()
        self.medium = behind / "disk.img"
        self.drive.image.rename(self.medium)
        self.folder = FaultyFolder(behind, devices.place("through"), direct_io=True)
        # cleaned up in the reverse order: first the drive, then what it stands on
        devices.on_exit().callback(self.folder.close)
        devices.on_exit().callback(self.drive.give_up)
        devices.on_exit().callback(self.release)
        self.drive.image = self.folder.mount / "disk.img"
        self.drive.plug_in()

    def set_rules(self, rules: Sequence[FuseRule]) -> None:
        """See `FaultyFolder.set_rules`."""
        self.folder.set_rules(rules)

    def release(self) -> None:
        """Let stalled calls go on; harmless when the daemon is gone."""
        with contextlib.suppress(OSError, ValueError):
            self.folder.release()

    def kill(self) -> None:
        """The disk is gone: every read and write answers an error."""
        self.folder.kill()

    def come_back(self) -> None:
        """Reconnect a disk whose daemon was killed: the same medium, seen anew, without faults."""
        self.drive.give_up()
        self.folder.close()
        self.drive.image = self.medium
        self.drive.plug_in()

    def where(self, path: Path, offset: int) -> int:
        """The byte of the disk that holds a byte of a file."""
        from support.extents import on_medium  # noqa: PLC0415 - only here

        return on_medium(self.medium, path, offset, self.drive.file_system)


def _libfuse3() -> str:
    for line in tool("ldconfig", "-p").splitlines():
        if "libfuse3.so" in line:
            return line.rpartition("=> ")[2]
    raise ToolFailed("libfuse3 is not installed")
