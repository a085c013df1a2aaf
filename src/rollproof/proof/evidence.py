"""How evidence compares: what the medium answered is worth more than what a server or a cache answered."""

from __future__ import annotations

from collections.abc import Iterable

from rollproof.models.volumes import Evidence

_ORDER = (Evidence.MEDIUM, Evidence.SERVER, Evidence.CACHE)
_RANK = {evidence: rank for rank, evidence in enumerate(_ORDER)}


def rank_of(evidence: Evidence) -> int:
    """0 for the strongest evidence."""
    return _RANK[evidence]


def evidence_of(rank: int) -> Evidence:
    """The evidence with this rank."""
    return _ORDER[rank]


def weakest(evidences: Iterable[Evidence]) -> Evidence | None:
    """The weakest of them, or None when there are none."""
    return max(evidences, key=rank_of, default=None)
