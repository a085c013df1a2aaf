"""Telling the ledger which drives are attached at one moment: which are two, and what is on none of them any more."""

from __future__ import annotations

from datetime import datetime

from rollproof.drives.interface import Drives
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.ledger import Ledger


def remember_attached(ledger: Ledger, drives: Drives, now: datetime) -> None:
    """See `Ledger.remember_attached`. Raises LedgerProblem, OSError."""
    ledger.remember_attached([DriveIdentity.of(volume) for volume in drives.volumes(everything=True)], now)
