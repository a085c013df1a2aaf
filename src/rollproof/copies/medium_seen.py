"""A medium was put in before the computer slept: what its mount shows may be another card's."""

from __future__ import annotations

from datetime import datetime

from rollproof.drives.interface import Drives
from rollproof.ledger.ledger import Ledger
from rollproof.models.volumes import Volume
from rollproof.proof.sleep import medium_key, slept_since


def slept_with_it(ledger: Ledger, drives: Drives, volume: Volume, at: datetime) -> float:
    """For how many seconds the computer slept since this medium was first seen, by this station; the first time is
    remembered. Raises LedgerProblem."""
    now = drives.slept_seconds()
    key = medium_key(volume.boot_id, volume.device.disk_sequence, volume.serial)
    if now is None or key is None:
        return 0.0
    return slept_since(ledger.medium_seen(key, now, at), now)
