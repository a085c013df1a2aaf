"""Collecting findings about one manifest without letting a hostile one fill the memory."""

from __future__ import annotations

from rollproof.models.findings import Finding, Kind, Severity, error

LISTED = 100


class Noted:
    """Keeps the first hundred findings of each kind, and counts the rest in one more."""

    def __init__(self) -> None:
        self._found: dict[Kind, list[Finding]] = {}
        self._more: dict[Kind, int] = {}

    def add(self, kind: Kind, detail: str, *, path: str = "", severity: Severity = Severity.ERROR) -> None:
        """Note one finding; an error unless said otherwise."""
        listed = self._found.setdefault(kind, [])
        if len(listed) < LISTED:
            listed.append(Finding(kind, severity, path, detail))
        else:
            self._more[kind] = self._more.get(kind, 0) + 1

    @property
    def any(self) -> bool:
        """Whether anything was noted."""
        return bool(self._found)

    def all(self) -> tuple[Finding, ...]:
        """Everything noted, grouped by kind in order of first appearance."""
        out: list[Finding] = []
        for kind, listed in self._found.items():
            out += listed
            if kind in self._more:
                out.append(error(kind, "More of the same kind follow.", count=self._more[kind]))
        return tuple(out)
