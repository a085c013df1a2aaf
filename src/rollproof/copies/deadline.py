"""The guard of a job's work on one device, with the `Io` and `Drives` that this work is to use."""

from __future__ import annotations

from rollproof.drives.interface import Drives
from rollproof.models.requests import Cancel
from rollproof.reading.settings import Settings
from rollproof.storage.deadline import Guard
from rollproof.storage.io import Io


class InTime(Guard):
    """A guard as long as every command waits; `io` and `drives` are watched by it."""

    def __init__(self, io: Io, drives: Drives, settings: Settings, cancel: Cancel) -> None:
        super().__init__(settings.patience, cancel)
        self.io = self.watching(io)
        self.drives = self.watching(drives)
