"""Where a folder lies on its volume: the same words for it in records, in the ledger and in questions."""

from __future__ import annotations

import os

from rollproof.models.volumes import Volume


def place_on(volume: Volume, path: bytes) -> bytes:
    """Where a folder lies on its volume, from the top of the file system on, whatever part of it is mounted where."""
    below = os.path.relpath(os.path.realpath(path), volume.mount_point)
    whole = os.path.normpath(os.path.join(volume.mount_root.lstrip(b"/") or b".", below))
    return b"" if whole == b"." else whole
