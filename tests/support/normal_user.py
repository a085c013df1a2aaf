"""The tool as a person who is not root uses it: another process, another user, no rights but those of the mount."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import rollproof
from support.devices import Devices, Drive

UID = 61001
"""A number that no account here has: nobody's files are in reach."""
_READ_ONLY_FOR_OWNER = 0o460


@dataclass
class NormalUser:
    """Runs rollproof as the user `UID`; everything lies in a folder that this user may enter."""

    devices: Devices
    python: Path
    home: Path

    def drive(self, file_system: str, name: str) -> Drive:
        """A drive that the system has mounted for this user, whose node only root may open."""
        drive = self.devices.image(file_system, plugged=False, name=name)
        self.plug_in(drive)
        return drive

    def plug_in(self, drive: Drive) -> None:
        """As the system does when a drive comes: mounted for this user, the node as the kernel makes it."""
        fuse = drive.file_system in ("exfat", "ntfs")
        drive.plug_in(options=f"uid={UID},gid={UID}" if fuse else "")
        if not fuse:
            os.chown(drive.mount, UID, UID)
        os.chown(drive.node, 0, 0)
        os.chmod(drive.node, 0o660)

    def replug(self, drive: Drive) -> None:
        """Unplug the drive and plug it in again."""
        drive.unplug()
        self.plug_in(drive)

    def apply_rule(self, *drives: Drive) -> None:
        """What `drives --rule` has udev do when a removable drive comes (there is no udev here)."""
        for drive in drives:
            os.chown(drive.node, UID, -1)
            os.chmod(drive.node, _READ_ONLY_FOR_OWNER)

    def run(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """One command, as typed."""
        return self.python_run("-m", "rollproof", *words)

    def python_run(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """The same interpreter, as this user."""
        source = Path(rollproof.__file__).parents[1]
        packages = [path for path in sys.path if path.endswith("site-packages")]
        return subprocess.run(
            [self.python, *words],
            cwd=self.home,
            env={
                "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
                "HOME": os.fspath(self.home),
                "ROLLPROOF_HOME": os.fspath(self.home / "station"),
                "PYTHONPATH": ":".join([os.fspath(source), *packages]),
                "PYTHONDONTWRITEBYTECODE": "1",
                "LANG": "C.UTF-8",
            },
            user=UID,
            group=UID,
            extra_groups=[],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    def json(self, *words: str | Path) -> Any:
        """The answer of a command to `--json`."""
        ran = self.run(*words, "--json")
        assert ran.stdout, ran.stderr
        return json.loads(ran.stdout)


@contextlib.contextmanager
def normal_user() -> Iterator[NormalUser]:
    """A user with a home of their own, and the interpreter of this test where that user can reach it."""
    folder = Path(tempfile.mkdtemp(prefix="rollproof-user-"))
    try:
        folder.chmod(0o755)
        home = folder / "home"
        home.mkdir()
        os.chown(home, UID, UID)
        with Devices(folder) as devices:
            real = Path(os.path.realpath(sys.executable))
            base = devices.bind(Path(sys.base_prefix), read_only=True)
            yield NormalUser(devices, base / real.relative_to(os.path.realpath(sys.base_prefix)), home)
    finally:
        if not any(os.path.ismount(path) for path in folder.iterdir()):
            shutil.rmtree(folder, ignore_errors=True)
