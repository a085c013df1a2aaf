"""Which findings about a copy speak of what it holds, and which are about themselves."""

from __future__ import annotations

from rollproof.models.findings import Finding, Kind, Severity

_ABOUT_THEMSELVES = frozenset((Kind.LINK, Kind.SPECIAL_FILE, Kind.UNKNOWN_FILE, Kind.NEWER_VERSION))
"""Strangers take nothing away from the files that are recorded; and what a later version of this tool wrote is not
known, which is neither for nor against them."""


def speaks_of_content(finding: Finding) -> bool:
    """Whether this error is one of the files that the copy must hold, or of the records that say so."""
    return finding.severity is Severity.ERROR and finding.kind not in _ABOUT_THEMSELVES
