"""Which volumes the runs of this station are at work on, told from run to run.

Each run has a folder of its own below `at-work/` in the station's home, and holds its lock: the lock ends with the
process, however that ends. A file in it stands for a volume or a device that the run has business with.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import threading
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

from rollproof.ledger.entries import DriveIdentity
from rollproof.models.volumes import Volume
from rollproof.proof.devices import parts
from rollproof.storage.io import Io
from rollproof.storage.station import make_home, station_home
from rollproof.storage.system import system_io

_FOLDER = "at-work"


class AtWork:
    """What one run is at work on. Methods may be called from any thread; none of them raises: where the station's home
    cannot be used, `others_at_work` says that it cannot be told."""

    def __init__(self, home: Path | None = None, io: Io | None = None) -> None:
        self._top = (home if home is not None else station_home()) / _FOLDER
        self._io = io if io is not None else system_io()
        self._changed = threading.Lock()
        self._held: Counter[str] = Counter()
        self._own: Path | None = None
        self._handle = -1
        self._failed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def begin(self, volume: Volume) -> None:
        """This run has business with a volume from now on. Each `begin` needs an `end`, or `close`."""
        with self._changed:
            self._held.update(_names(volume, beneath=True))
            self._write(_names(volume, beneath=True))

    def end(self, volume: Volume) -> None:
        """It has no more business with it."""
        with self._changed:
            for name in _names(volume, beneath=True):
                self._held[name] -= 1
                if self._held[name] <= 0:
                    del self._held[name]
                    if self._own is not None:
                        with contextlib.suppress(OSError):
                            (self._own / name).unlink()

    def others_at_work(self, volume: Volume) -> bool | None:
        """Whether another run has business with a volume or with the device that it lies on; None when that cannot be
        told."""
        with self._changed:
            if self._failed:
                return None
            try:
                return any(self._is_busy(run, _names(volume)) for run in self._runs())
            except OSError:
                return None

    @property
    def run(self) -> str:
        """The name of this run, once it is at work on something; empty before."""
        with self._changed:
            return self._own.name if self._own is not None else ""

    def is_running(self, run: str) -> bool:
        """Whether another run of this name is still at work; also where that cannot be told."""
        with self._changed:
            folder = self._top / run
            if not run or folder == self._own or not folder.is_dir():
                return False
            try:
                return self._holds(folder)
            except OSError:
                return True

    def close(self) -> None:
        """The run has ended."""
        with self._changed:
            self._held.clear()
            if self._own is not None:
                self._clear(self._own)
                with contextlib.suppress(OSError):
                    self._io.close(self._handle)
                self._own = None

    # --- the files

    def _write(self, names: Iterable[str]) -> None:
        try:
            if self._own is None:
                self._take_folder()
            assert self._own is not None
            for name in names:
                (self._own / name).touch(mode=0o600)
        except OSError:
            self._failed = True

    def _take_folder(self) -> None:
        make_home(self._top.parent)
        self._top.mkdir(mode=0o700, exist_ok=True)
        own = self._top / secrets.token_hex(8)
        own.mkdir(mode=0o700)
        handle = self._io.open_root(os.fsencode(own))
        if not self._io.lock(handle):
            self._io.close(handle)
            raise OSError(11, "the lock of a folder that was just made is taken")
        self._own, self._handle = own, handle

    def _runs(self) -> list[Path]:
        return [run for run in self._top.iterdir() if run != self._own] if self._top.is_dir() else []

    def _is_busy(self, run: Path, names: Iterable[str]) -> bool:
        return any((run / name).exists() for name in names) and self._holds(run)

    def _holds(self, run: Path) -> bool:
        try:
            handle = self._io.open_root(os.fsencode(run))
        except FileNotFoundError:
            return False  # it has just ended
        try:
            if not self._io.lock(handle):
                return True
            self._clear(run)  # its process ended without a word
            return False
        finally:
            self._io.close(handle)

    @staticmethod
    def _clear(run: Path) -> None:
        with contextlib.suppress(OSError):
            for file in run.iterdir():
                with contextlib.suppress(OSError):
                    file.unlink()
            run.rmdir()


def _names(volume: Volume, *, beneath: bool = False) -> list[str]:
    """File names that stand for a volume and for the disks it lies on; with `beneath`, those below a disk image too."""
    keys = {f"volume {volume.serial or DriveIdentity.of(volume).text}"}
    keys |= {f"device {part}" for part in parts(volume.device.key)}
    if beneath:
        keys |= {f"device {part}" for part in parts(volume.device.beneath)}
    return sorted(hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()[:32] for key in keys)
