"""Findings as they are told: many of one kind on one drive are one with a count."""

from __future__ import annotations

from collections.abc import Sequence

from rollproof.models.findings import MOST_OTHERS, Finding, Kind
from rollproof.models.names import shown

_MOST_FINDINGS = 5
"""Equal findings of one kind on one drive that are listed one by one; more are grouped."""

_MOST_DAMAGED = 20
"""Damaged clips that are named before the rest is grouped."""


def other_names(paths: Sequence[bytes]) -> tuple[str, ...]:
    """What a finding that stands for all these paths carries beside the first: `Finding.others`."""
    return tuple(shown(path) for path in paths[1 : MOST_OTHERS + 1])


def grouped(findings: Sequence[Finding]) -> list[Finding]:
    """Many findings of one kind on one drive become one with a count; the order of first appearance stays."""
    by_kind: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in dict.fromkeys(findings):
        by_kind.setdefault((finding.kind, finding.severity, finding.drive), []).append(finding)
    out: list[Finding] = []
    for group in by_kind.values():
        # every damaged clip is named, as long as anybody would read them
        alone = _MOST_DAMAGED if group[0].kind is Kind.DAMAGED_CLIP else 0
        if len(group) <= max(_MOST_FINDINGS, alone):
            out += group
            continue
        out += group[:alone]
        first = group[alone]
        total = sum(finding.count for finding in group[alone:])
        names = [name for finding in group[alone:] for name in (finding.path, *finding.others) if name]
        out.append(
            Finding(
                first.kind,
                first.severity,
                first.path,
                f"{first.detail} (and {total - first.count:,} more like it)",
                first.drive,
                first.remedy,
                total,
                tuple(name for name in dict.fromkeys(names) if name != first.path)[:MOST_OTHERS],
            )
        )
    return out
