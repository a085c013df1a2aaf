"""How a verify ends on the screen: a line per copy, findings, and one verdict."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import rule, stamp
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.findings import Finding
from rollproof.models.results import VerifiedCopy, VerifyResult

_SHOWN_PATHS = 5
_READBACK = {
    "medium": "read from the drive itself",
    "server": "read from its server",
    "cache": "read, but not shown to be from the drive",
    None: "not read",
}


def verify_lines(
    result: VerifyResult, *, everything: bool = False, quiet: bool = False, width: int = 80, fancy: bool = True
) -> Iterator[Text]:
    """A line for every copy, the findings, the verdict last. `quiet` leaves errors and the verdict; `everything` adds
    what was written beside each copy."""
    if not quiet:
        for copy in result.copies:
            yield from _copy_lines(copy, everything=everything)
    findings = list(finding_lines(_all_findings(result), errors_only=quiet, everything=everything))
    yield from findings[1:] if quiet else findings
    if not quiet:
        yield rule(width, fancy=fancy)
    yield _verdict(result)


def _all_findings(result: VerifyResult) -> list[Finding]:
    found = list(result.findings)
    for copy in result.copies:
        found += [finding for finding in copy.findings if finding not in found]
    return found


def _copy_lines(copy: VerifiedCopy, *, everything: bool) -> Iterator[Text]:
    word, style = ("proven", GOOD) if copy.verdict == "proven" else ("NOT PROVEN", BAD)
    what = f"{words.counted(copy.files, 'file')}, {words.size(copy.bytes)}, {_READBACK[copy.readback]}"
    yield join(Text("Roll ", STRONG), safe(copy.roll, STRONG), "  ", Text(word, style), f"  {what}")
    yield join("  ", safe(copy.path, QUIET))
    yield from _path_lines("differ", copy.differ, BAD)
    yield from _path_lines("missing", copy.missing, BAD)
    yield from _path_lines("unknown", copy.unknown, WARN)
    if copy.appended and everything:
        yield join("  written beside it: ", words.listed([safe(name).plain for name in copy.appended]))


def _path_lines(word: str, paths: list[str], style: str) -> Iterator[Text]:
    if not paths:
        return
    yield join("  ", Text(f"{word}: {words.counted(len(paths), 'file')}", style))
    for path in paths[:_SHOWN_PATHS]:
        yield join("    ", safe(path))
    if len(paths) > _SHOWN_PATHS:
        yield Text(f"    and {words.number(len(paths) - _SHOWN_PATHS)} more; --json lists them", QUIET)


def _verdict(result: VerifyResult) -> Text:
    count = len(result.copies)
    proven = sum(copy.verdict == "proven" for copy in result.copies)
    rolls = words.counted(count, "copy", "copies")
    if result.verdict == "proven":
        unknown = sum(len(copy.unknown) for copy in result.copies)
        also = f" {words.counted(unknown, 'file')} in no record: listed as new, proven by nothing." if unknown else ""
        return join(stamp("PROVEN", GOOD), f"{rolls} read again in {words.took(result.seconds)}.{also}")
    if not count:
        return join(stamp("NOT PROVEN", BAD), "nothing was found there that could be compared.")
    return join(stamp("NOT PROVEN", BAD), f"{proven} of {rolls} proven.")
