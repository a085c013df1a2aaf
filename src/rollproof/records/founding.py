"""The identity of a copy, read from the offload records of its chain: see `proof.identity`."""

from __future__ import annotations

from rollproof.proof.identity import Founding, founder
from rollproof.records.chain import Chain
from rollproof.records.models import OffloadHeader


def founder_of(chain: Chain) -> str | None:
    """SHA-256 of the offload record that founded this copy; None where no offload is recorded."""
    return founder(
        Founding(
            link.sha256,
            link.header.founded_by,
            link.header.of_copy,
            (link.header.copy_.device.key, link.header.copy_.volume.serial, link.header.copy_.folder),
        )
        for link in chain.links
        if isinstance(link.header, OffloadHeader) and link.sha256
    )
