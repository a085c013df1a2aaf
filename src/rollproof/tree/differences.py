"""What changed on a card between two walks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import to_text
from rollproof.models.tree import FileEntry, Snapshot
from rollproof.tree.gathering import Gathering

_REMEDY = "offload the card again: nothing that changed is proven"
_NAMED = 3


class CardChanges(NamedTuple):
    """`affected` are the files and folders (relative paths) for which nothing may be called proven."""

    findings: list[Finding]
    affected: frozenset[bytes]


def card_changes(before: Snapshot, after: Snapshot) -> CardChanges:
    """Files and folders added, removed, of another size or re-dated, one error finding for each way.

    What could be read before and is a link, a special file or unreadable now counts as removed, and its own new
    finding is handed on. The litter of operating systems changes nothing.
    """
    ways: dict[str, list[bytes]] = {}

    def note(way: str, path: bytes) -> None:
        ways.setdefault(way, []).append(path)

    if before.listing_digest != after.listing_digest:
        for old, new in _side_by_side(before.files, after.files):
            if old is None and new is not None:
                note("added", new.path)
            elif old is not None and new is None:
                note("removed", old.path)
            elif old is not None and new is not None:
                if new.size != old.size:
                    note("grown" if new.size > old.size else "shrunk", old.path)
                elif new.modified_ns != old.modified_ns:
                    note("re-dated", old.path)
        for folder in sorted(set(before.folders) ^ set(after.folders)):
            # an added or removed folder with files in it has been said by its files
            note("added or removed as a folder", folder)
    findings = [
        error(
            Kind.CARD_CHANGED,
            f"{way} since the card was first looked at{_and_more(paths)}",
            path=to_text(paths[0]),
            remedy=_REMEDY,
            count=len(paths),
        )
        for way, paths in ways.items()
    ]
    findings.extend(_new_errors(before, after))
    return CardChanges(findings, frozenset(path for paths in ways.values() for path in paths))


def _and_more(paths: list[bytes]) -> str:
    if len(paths) == 1:
        return ""
    named = ", ".join(to_text(path) for path in paths[1 : 1 + _NAMED])
    rest = len(paths) - 1 - _NAMED
    return f"; so are {named}" + (f" and {rest:,} more" if rest > 0 else "")


def _new_errors(before: Snapshot, after: Snapshot) -> Iterator[Finding]:
    known = {(finding.kind, finding.path) for finding in before.findings}
    gathering = Gathering()
    for finding in after.findings:
        if finding.severity is Severity.ERROR and (finding.kind, finding.path) not in known:
            gathering.each(
                Kind.CARD_CHANGED,
                Severity.ERROR,
                finding.path.encode("utf-8", "backslashreplace"),
                f"new since the card was first looked at: {finding.detail}",
                _REMEDY,
            )
    return iter(gathering.all())


def _side_by_side(
    before: Sequence[FileEntry], after: Sequence[FileEntry]
) -> Iterator[tuple[FileEntry | None, FileEntry | None]]:
    """Both lists in step, by path: no third copy of 200,000 paths."""
    left = right = 0
    while left < len(before) or right < len(after):
        old = before[left] if left < len(before) else None
        new = after[right] if right < len(after) else None
        if old is not None and new is not None and old.path == new.path:
            left += 1
            right += 1
            yield old, new
        elif new is None or (old is not None and old.path < new.path):
            left += 1
            yield old, None
        else:
            right += 1
            yield None, new
