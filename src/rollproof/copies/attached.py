"""Which mounts show a copy that the ledger knows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rollproof.ledger.entries import DriveIdentity, KnownCopy
from rollproof.models.volumes import Volume


def mounts_of(known: KnownCopy, volumes: Iterable[Volume]) -> Iterator[tuple[Volume, bytes]]:
    """Every mount of the copy's own volume that shows its folder, and the folder's path below that mount point."""
    for volume in volumes:
        if DriveIdentity.of(volume).text != known.drive.identity.text:
            continue
        top = volume.mount_root.strip(b"/")
        if not top:
            yield volume, known.folder
        elif known.folder == top or known.folder.startswith(top + b"/"):
            yield volume, known.folder[len(top) + 1 :]
