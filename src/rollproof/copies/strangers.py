"""Files that lie in a copy and that no offload brought: whatever read the copy noted them, and they stay strangers."""

from __future__ import annotations

from rollproof.models.errors import UntrustedInput
from rollproof.records.chain import Chain
from rollproof.records.models import VerifyHeader
from rollproof.records.read import iter_files
from rollproof.storage.io import Io


def noted_strangers(io: Io, handle: int, chain: Chain) -> frozenset[bytes]:
    """Paths that a verify of the copy in an open roll folder found to be in no record. A manifest lists them since
    then, which makes them nothing that the copy must hold. OSError when the drive fails."""
    found: set[bytes] = set()
    for link in chain.links:
        if not isinstance(link.header, VerifyHeader) or not link.header.totals.unknown or link.state != "whole":
            continue
        try:
            found |= {row.path for row in iter_files(io, handle, link.name) if row.state == "unknown"}
        except UntrustedInput:
            continue  # it makes no stranger of anything then
    return frozenset(found)
