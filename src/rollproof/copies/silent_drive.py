"""A drive that hangs before it was told which one it is: what the mount table and this station's memory know of it.

Nothing here asks the drive anything that is not given up in time.
"""

from __future__ import annotations

import os

from rollproof.copies.reading_journal import ReadingJournal
from rollproof.drives.interface import Drives
from rollproof.ledger.entries import DriveIdentity, KnownDrive
from rollproof.ledger.ledger import Ledger
from rollproof.models.findings import Finding
from rollproof.models.volumes import Volume


def put_down_silent(journal: ReadingJournal, drives: Drives, path: bytes, drive: str, why: str) -> list[Finding]:
    """No copy at or below this path counts until it was read again. `drives` must be one that nothing hangs in:
    it lists a volume that says nothing by its mount alone. Returns what could not be remembered."""
    absolute = os.path.abspath(path)  # (links cannot be followed: each step may ask the drive)
    volume = _mounted_at(drives, absolute)
    if volume is None:
        return []
    identities = [DriveIdentity.of(volume)]
    if volume.device.key is None:

        def ask(ledger: Ledger) -> None:
            identities.extend(known.identity for known in _known_as(ledger, volume))

        journal.write(ask)
    folder = _place(volume, absolute)
    return [odd for identity in identities for odd in journal.lost_at(identity, folder, drive, why)]


def _mounted_at(drives: Drives, path: bytes) -> Volume | None:
    found = [volume for volume in drives.volumes(everything=True) if _holds(volume.mount_point, path)]
    return max(found, key=lambda volume: len(volume.mount_point), default=None)


def _known_as(ledger: Ledger, volume: Volume) -> list[KnownDrive]:
    """The drive this station last saw mounted from this very node in this boot."""
    return ledger.drives_mounted_from(volume.source, volume.boot_id, volume.st_dev)[:1]


def _place(volume: Volume, path: bytes) -> bytes:
    """As `location.place_on`, by names alone."""
    below = os.path.relpath(path, volume.mount_point)
    whole = os.path.normpath(os.path.join(volume.mount_root.lstrip(b"/") or b".", below))
    return b"" if whole == b"." else whole


def _holds(mount_point: bytes, path: bytes) -> bool:
    return path == mount_point or path.startswith(mount_point.rstrip(b"/") + b"/")
