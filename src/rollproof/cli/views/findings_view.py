"""Findings as a person can take them in: grouped, errors first, each group with its remedy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from rich.text import Text

from rollproof.cli.console import BAD, QUIET, WARN, join, safe
from rollproof.cli.views import words
from rollproof.models.findings import Finding

_HEADINGS = (("error", "Errors", BAD), ("warning", "Warnings", WARN), ("note", "Notes", QUIET))
_SHOWN = 3
_NAMED = {"damaged-clip": 60}
"""Of these nobody may miss one."""


@dataclass(slots=True)
class _Group:
    members: list[Finding] = field(default_factory=list)
    """The first few."""
    entries: int = 0
    count: int = 0


def finding_lines(findings: Iterable[Finding], *, errors_only: bool = False) -> Iterator[Text]:
    """One block per severity; of many of one kind on one drive the first few are shown, the rest counted."""
    groups: dict[tuple[str, str, str, str], _Group] = {}
    for finding in findings:
        key = (finding.severity, finding.kind, finding.drive, finding.remedy)
        group = groups.setdefault(key, _Group())
        group.entries += 1
        group.count += finding.count
        if len(group.members) < _NAMED.get(finding.kind, _SHOWN):
            group.members.append(finding)
    for severity, heading, style in _HEADINGS:
        if errors_only and severity != "error":
            continue
        chosen = [group for key, group in groups.items() if key[0] == severity]
        if not chosen:
            continue
        yield Text()
        yield Text(heading, style)
        for group in chosen:
            yield from _group_lines(group)


def located(drive: str, path: str, detail: str) -> Text:
    """`drive: path: detail`, without what the detail names itself."""
    said = _bare(detail)
    where = [part for part in (drive, path) if part not in ("", "/") and _bare(part) not in said]
    return safe(": ".join([*where, detail]))


def _bare(text: str) -> str:
    return f" {text} ".replace(":", " ").replace(",", " ")


def _group_lines(group: _Group) -> Iterator[Text]:
    for finding in group.members:
        yield join("  ", located(finding.drive, finding.path, finding.detail))
    if group.entries > len(group.members):
        rest = group.count - sum(finding.count for finding in group.members)
        yield Text(f"  and {words.number(rest)} more like it", QUIET)
    remedy = group.members[0].remedy
    if remedy:
        yield join("    Next: ", safe(remedy))
