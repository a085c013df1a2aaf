"""Gathering findings so that a thousand equal ones are one, and none is dropped."""

from __future__ import annotations

from dataclasses import replace

from rollproof.models.findings import MOST_OTHERS, Finding, Kind, Severity
from rollproof.models.names import to_text

EACH_LIMIT = 100
"""So many of one kind and severity are named one by one; the rest are counted in one more finding."""


class Gathering:
    """Collects findings of one walk. Not for several threads."""

    def __init__(self) -> None:
        self._each: dict[tuple[Kind, Severity], list[Finding]] = {}
        self._grouped: dict[tuple[Kind, Severity, str], Finding] = {}

    def each(self, kind: Kind, severity: Severity, path: bytes, detail: str, remedy: str = "") -> None:
        """A finding that is worth its own line, up to `EACH_LIMIT` of its kind."""
        same = self._each.setdefault((kind, severity), [])
        if len(same) < EACH_LIMIT:
            same.append(Finding(kind, severity, to_text(path), detail, remedy=remedy))
        else:
            self._count((kind, severity, ""), path, f"and more of this kind; the next: {detail}", remedy)

    def grouped(self, kind: Kind, severity: Severity, path: bytes, detail: str, remedy: str = "") -> None:
        """One of many: the first path stands for all; the rest are counted, and the first of them are kept by name."""
        self._count((kind, severity, detail), path, detail, remedy)

    def all(self) -> tuple[Finding, ...]:
        """Errors first, then warnings, then notes; within these in the order of their first mention."""
        found = [finding for same in self._each.values() for finding in same]
        found.extend(self._grouped.values())
        order = list(Severity)
        return tuple(sorted(found, key=lambda finding: order.index(finding.severity)))

    def _count(self, key: tuple[Kind, Severity, str], path: bytes, detail: str, remedy: str) -> None:
        known = self._grouped.get(key)
        if known is None:
            self._grouped[key] = Finding(key[0], key[1], to_text(path), detail, remedy=remedy)
        else:
            others = known.others if len(known.others) >= MOST_OTHERS else (*known.others, to_text(path))
            self._grouped[key] = replace(known, count=known.count + 1, others=others)
