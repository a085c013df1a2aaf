"""Which question of an audit a finding about one copy belongs to."""

from __future__ import annotations

from rollproof.models.audit_results import Topic
from rollproof.models.findings import Kind

_CUSTODY = frozenset(
    (
        Kind.CHAIN_BROKEN,
        Kind.RECORD_MISSING,
        Kind.BAD_RECORD,
        Kind.FOREIGN_RECORD,
        Kind.NEWER_VERSION,
        Kind.BAD_MANIFEST,
        Kind.MANIFEST_CHANGED,
        Kind.MANIFEST_MISSING,
        Kind.MANIFEST_NOT_IN_CHAIN,
        Kind.PATH_ESCAPES,
        Kind.SIGNATURE_WRONG,
        Kind.SIGNER_UNKNOWN,
        Kind.NOT_SIGNED,
        Kind.OTHER_RECEIPT,
        Kind.NOT_RECEIVED,
    )
)


def topic_of(kind: Kind) -> Topic:
    """The question that a finding about one copy belongs to."""
    if kind in _CUSTODY:
        return "custody"
    if kind is Kind.UNKNOWN_FILE:
        return "strangers"
    return "agreement" if kind is Kind.RECORD_AND_MANIFEST_DISAGREE else "copies"
