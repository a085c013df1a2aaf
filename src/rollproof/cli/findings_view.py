"""Findings as a person can take them in: grouped, errors first, each group with its remedy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from rich.text import Text

from rollproof.cli import words
from rollproof.cli.console import BAD, QUIET, WARN, join, safe
from rollproof.models.results import FindingOut

_HEADINGS = (("error", "Errors", BAD), ("warning", "Warnings", WARN), ("note", "Notes", QUIET))
_SHOWN_PATHS = 3


@dataclass(slots=True)
class _Group:
    first: FindingOut
    count: int = 0
    paths: list[str] = field(default_factory=list)


def finding_lines(findings: Iterable[FindingOut], *, errors_only: bool = False) -> Iterator[Text]:
    """One block per severity; equal kinds on one drive are one entry with a count and the first few paths."""
    groups: dict[tuple[str, str, str, str], _Group] = {}
    for finding in findings:
        # an error with a sentence of its own keeps it; of what repeats, one sentence is enough
        key = (finding.severity, finding.kind, finding.drive, finding.remedy)
        group = groups.setdefault(key, _Group(finding))
        group.count += finding.count
        if finding.path and finding.path not in group.paths and len(group.paths) <= _SHOWN_PATHS:
            group.paths.append(finding.path)
    for severity, heading, style in _HEADINGS:
        if errors_only and severity != "error":
            continue
        chosen = [group for group in groups.values() if group.first.severity == severity]
        if not chosen:
            continue
        yield Text()
        yield Text(heading, style)
        for group in chosen:
            yield from _group_lines(group)


def _group_lines(group: _Group) -> Iterator[Text]:
    first = group.first
    drive = join(safe(first.drive), ": ") if first.drive else Text()
    times = f" ({words.number(group.count)} times; this is the first)" if group.count > 1 else ""
    one_path = len(group.paths) == 1 and group.count == 1
    path = join(safe(first.path), ": ") if one_path and first.path not in first.detail else Text()
    yield join("  ", drive, path, safe(first.detail), times)
    if not one_path:
        for shown in group.paths[:_SHOWN_PATHS]:
            yield join(Text("    ", QUIET), safe(shown))
        rest = group.count - min(len(group.paths), _SHOWN_PATHS)
        if group.paths and rest > 0:
            yield Text(f"    and {words.number(rest)} more; --json lists all", QUIET)
    if first.remedy:
        yield join("    Next: ", safe(first.remedy))
