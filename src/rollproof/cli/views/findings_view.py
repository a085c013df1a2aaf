"""Findings as a person can take them in: grouped, errors first, one cause said once, each group with its remedy."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from rich.text import Text

from rollproof.cli.console import BAD, QUIET, WARN, command_text, join, safe
from rollproof.cli.views import words
from rollproof.models.findings import Finding, Severity

_HEADINGS = (
    (Severity.ERROR, "Errors", BAD),
    (Severity.WARNING, "Warnings", WARN),
    (Severity.NOTE, "Notes", QUIET),
)
_SHOWN = 3
_NAMED = {"damaged-clip": 60}
"""Of these nobody may miss one."""
_NAMES_SHOWN = 3
_LONG = 70
"""Characters of a remedy that fit into one line of the smallest screen."""


@dataclass(slots=True)
class _Cause:
    """One cause: the first finding that told it, and where else it was told of."""

    first: Finding
    count: int = 0
    drives: list[str] = field(default_factory=list)
    others: list[str] = field(default_factory=list)


def finding_lines(
    findings: Iterable[Finding], *, errors_only: bool = False, everything: bool = False
) -> Iterator[Text]:
    """One block per severity. What several drives have in common is said once, with their names; of many of one kind
    the first few are shown and the rest counted, unless `everything` is asked for."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.severity, finding.kind, finding.remedy), []).append(finding)
    for severity, heading, style in _HEADINGS:
        if errors_only and severity is not Severity.ERROR:
            continue
        chosen = [group for key, group in groups.items() if key[0] == severity]
        if not chosen:
            continue
        yield Text()
        yield Text(heading, style)
        for group in chosen:
            yield from _group_lines(causes(group), everything=everything)


def causes(findings: Sequence[Finding]) -> list[_Cause]:
    """The causes among findings of one kind and remedy: those that differ in nothing but the drive are one."""
    names = {name for finding in findings for name in drive_names(finding)}
    found: dict[tuple[str, str], _Cause] = {}
    for finding in findings:
        said = (without_names(finding.path, names), without_names(finding.detail, names))
        cause = found.setdefault(said, _Cause(finding))
        cause.count = max(cause.count, finding.count)
        cause.others += [name for name in finding.others if name not in cause.others]
        drive = _last(finding.drive or finding.path)
        if drive not in cause.drives:
            cause.drives.append(drive)
    return list(found.values())


def located(drive: str, path: str, detail: str) -> Text:
    """`drive: path: detail`, without what the detail names itself."""
    said = _bare(detail)
    if path.startswith("/") and _bare(_last(path)) in said:
        path = ""  # the mount point of a drive that is named
    where = [part for part in (drive, path) if part not in ("", "/") and _bare(part) not in said]
    return safe(": ".join([*where, detail]))


def without_names(text: str, names: Iterable[str]) -> str:
    """The text with a dot for every name: what two findings about two drives have in common."""
    words_ = sorted((re.escape(name) for name in names if len(name) > 1), key=len, reverse=True)
    return re.sub(rf"(?<!\w)(?:{'|'.join(words_)})(?!\w)", "·", text) if words_ else text


def drive_names(finding: Finding) -> set[str]:
    """How a finding may name its drive: the whole, and the last part of it."""
    if not finding.drive:
        return set()
    whole = {finding.drive}
    if _last(finding.path) == _last(finding.drive):
        whole.add(finding.path)
    return whole | {_last(name) for name in whole}


def _last(path: str) -> str:
    return path.rstrip("/").rpartition("/")[2] or path


def _bare(text: str) -> str:
    return f" {text} ".replace(":", " ").replace(",", " ")


def _group_lines(found: Sequence[_Cause], *, everything: bool) -> Iterator[Text]:
    most = len(found) if everything else _NAMED.get(found[0].first.kind, _SHOWN)
    for cause in found[:most]:
        finding = cause.first
        yield join("  ", located(finding.drive, finding.path, finding.detail))
        if len(cause.drives) > 1:
            yield join("    the same for ", safe(words.listed(cause.drives[1:])))
        yield from names_lines(finding.detail, cause.count, cause.others, everything=everything)
    rest = found[most:]
    if rest:
        yield Text(f"  and {words.number(sum(cause.count for cause in rest))} more like it", QUIET)
    remedy = found[0].first.remedy
    if remedy:
        yield from _remedy_lines(remedy)


def _remedy_lines(remedy: str) -> Iterator[Text]:
    """The next step. A command at its end that does not fit into a line is not broken: it is there to be pasted."""
    words_before, found, rest = remedy.partition(": rollproof ")
    if found and len(remedy) > _LONG:
        yield join("    Next: ", safe(words_before), ":")
        yield command_text(f"rollproof {rest}")
    else:
        yield join("    Next: ", safe(remedy))


def names_lines(detail: str, count: int, others: Sequence[str], *, everything: bool) -> Iterator[Text]:
    """How many a grouped finding stands for, and their names where they are known."""
    if count < 2:
        return
    named = others if everything else others[:_NAMES_SHOWN]
    more = count - 1 - len(named)
    if not named:
        if words.number(count) not in detail and f"{count - 1:,} more" not in detail:
            yield Text(f"    {words.number(count)} of them", QUIET)
        return
    shown = [safe(name).plain for name in named]
    if more > 0:
        shown.append(f"{words.number(more)} more")
    yield Text(f"    and {words.listed(shown)}", QUIET)
