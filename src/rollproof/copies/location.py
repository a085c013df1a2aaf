"""Where a folder lies, on its volume and on which: the same words in records, in the ledger and in questions."""

from __future__ import annotations

import os

from rollproof.models.names import shown
from rollproof.models.volumes import Volume
from rollproof.records.models import CopyBlock


def place_on(volume: Volume, path: bytes) -> bytes:
    """Where a folder lies on its volume, from the top of the file system on, whatever part of it is mounted where."""
    below = os.path.relpath(os.path.realpath(path), volume.mount_point)
    whole = os.path.normpath(os.path.join(volume.mount_root.lstrip(b"/") or b".", below))
    return b"" if whole == b"." else whole


def drive_and_role(recorded: CopyBlock, volume: Volume) -> tuple[str, str]:
    """How people call the drive that a copy lies on, and its role: as its records say, unless they speak of another
    volume (the roll folder was dragged here). Then it has the name of this one, and no role."""
    name = volume.label or shown(os.path.basename(volume.mount_point))
    if recorded.volume.serial == volume.serial or not name:
        return recorded.drive, recorded.role
    return name, ""
