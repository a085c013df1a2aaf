"""Checksum files and packing lists on the screen: what was written, what differs, and one verdict last."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Sequence

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left, right, rule, stamp
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.delivery_results import AgainstResult, ChecksumsResult, PackingCheck, PackingListResult
from rollproof.models.findings import Finding

_SHOWN_ROLLS = 20
_SHOWN_PATHS = 5


def checksums_lines(
    result: ChecksumsResult, *, quiet: bool = False, width: int = 80, fancy: bool = True
) -> Iterator[Text]:
    """A line per roll, findings, where the file lies and how to check it, the verdict last."""
    if not quiet:
        column = _column([roll.path for roll in result.rolls], width)
        for roll in result.rolls[:_SHOWN_ROLLS]:
            left_out = Text(f"  {words.number(roll.left_out)} WITHOUT A LINE", BAD) if roll.left_out else Text()
            how = f"{words.number(roll.recorded)} recorded, {words.number(roll.read)} read now"
            yield join("  ", left(roll.path, column, keep_end=True), right(how, 32), left_out)
        yield from _more(len(result.rolls))
    yield from _findings(result.findings, quiet=quiet)
    if not quiet:
        if result.out is not None:
            yield Text()
            yield join("  written: ", safe(result.out))
            where = shlex.quote(os.path.abspath(result.out))
            yield join("  check it with: ", safe(f"cd {shlex.quote(result.folder)} && {result.check} {where}"))
        yield rule(width, fancy=fancy)
    lines = words.counted(result.lines, "line")
    if result.verdict == "complete":
        yield join(stamp("WRITTEN", GOOD), f"{lines} of {result.algorithm}, one for every recorded file.")
    elif result.out is None:
        yield join(stamp("NOT WRITTEN", BAD), "there is no file whose hash could be given.")
    else:
        yield join(stamp("WRITTEN, NOT COMPLETE", BAD), f"{lines} of {result.algorithm}; see the errors above.")


def against_lines(result: AgainstResult, *, quiet: bool = False, width: int = 80, fancy: bool = True) -> Iterator[Text]:
    """What was compared, findings, the verdict last."""
    if not quiet:
        yield Text()
        yield join(safe(result.path, STRONG), " against ", safe(result.against, STRONG))
        by = f", by {words.listed(result.algorithms)}" if result.algorithms else ""
        yield Text(f"  {words.counted(result.files, 'file')} named, {words.size(result.bytes)} read{by}")
        for word, paths, style in (
            ("differ", result.differ, BAD),
            ("missing", result.missing, BAD),
            ("could not be read", result.not_compared, BAD),
            ("not named", result.unknown, WARN),
        ):
            yield from _paths(word, paths, style)
    yield from _findings(result.findings, quiet=quiet)
    if not quiet:
        yield rule(width, fancy=fancy)
    if result.verdict == "matches":
        read = "" if result.readback != "cache" else " (a cache may have answered instead of the drive)"
        yield join(stamp("MATCHES", GOOD), f"{words.counted(result.files, 'file')} as the checksum file says{read}.")
        return
    bad = len(result.differ) + len(result.missing) + len(result.not_compared)
    yield join(
        stamp("DOES NOT MATCH", BAD),
        f"{words.number(bad)} of {words.counted(result.files, 'file')} not as the checksum file says."
        if bad
        else "see the errors above.",
    )


def packing_list_lines(
    result: PackingListResult, *, quiet: bool = False, width: int = 80, fancy: bool = True
) -> Iterator[Text]:
    """A line per roll, findings, where the list lies, the verdict last."""
    if not quiet:
        column = _column([roll.roll for roll in result.rolls], width)
        for roll in result.rolls[:_SHOWN_ROLLS]:
            yield join(
                "  ",
                left(roll.roll, column, STRONG),
                right(words.counted(roll.files, "file"), 14),
                right(words.size(roll.bytes), 12),
                "  ",
                Text("listed", GOOD) if roll.manifest else Text("NOT LISTED", BAD),
            )
        yield from _more(len(result.rolls))
    yield from _findings(result.findings, quiet=quiet)
    if not quiet:
        if result.out is not None:
            yield Text()
            yield join("  written: ", safe(result.out), "  Send the whole folder ahead of the drives.")
        yield rule(width, fancy=fancy)
    listed = sum(roll.manifest is not None for roll in result.rolls)
    if result.verdict == "complete":
        yield join(stamp("PACKING LIST WRITTEN", GOOD), f"{words.counted(listed, 'roll')}, all that are there.")
    elif result.out is None:
        yield join(stamp("NOT WRITTEN", BAD), "there is no roll that could be listed.")
    else:
        yield join(
            stamp("WRITTEN, NOT COMPLETE", BAD), f"{listed} of {words.counted(len(result.rolls), 'roll')} listed."
        )


def packing_check_lines(check: PackingCheck | None, width: int) -> Iterator[Text]:
    """How an arrival compares with its packing list; nothing where none was given."""
    if check is None:
        return
    yield Text()
    yield join("Packing list ", safe(check.folder, STRONG))
    column = _column([line.roll for line in check.lists], width)
    odd_first = sorted(check.lists, key=lambda line: line.state == "same")
    for line in odd_first[:_SHOWN_ROLLS]:
        state = {"same": Text("as listed", GOOD), "missing": Text("NOT ON THIS DRIVE", BAD)}.get(
            line.state, Text("NOT AS LISTED", BAD)
        )
        counts = [(line.differ, "differ"), (line.missing, "missing"), (line.added, "not listed")]
        told = ", ".join(f"{words.number(count)} {word}" for count, word in counts if count)
        files = right(words.counted(line.files, "file"), 14)
        yield join("  ", left(line.roll, column), files, "  ", state, f"  {told}" if told else "")
    yield from _more(len(check.lists))
    for roll in check.added[:_SHOWN_ROLLS]:
        yield join("  ", left(roll, column), right("", 14), "  ", Text("IN NO LIST", BAD))


def _column(names: Sequence[str], width: int) -> int:
    return min(max((len(safe(name).plain) for name in names), default=0), max(width - 50, 12))


def _more(count: int) -> Iterator[Text]:
    if count > _SHOWN_ROLLS:
        yield Text(f"  and {words.number(count - _SHOWN_ROLLS)} more; --json lists them", QUIET)


def _paths(word: str, paths: Sequence[str], style: str) -> Iterator[Text]:
    if not paths:
        return
    yield join("  ", Text(f"{word}: {words.counted(len(paths), 'file')}", style))
    for path in paths[:_SHOWN_PATHS]:
        yield join("    ", safe(path))
    if len(paths) > _SHOWN_PATHS:
        yield Text(f"    and {words.number(len(paths) - _SHOWN_PATHS)} more; --json lists them", QUIET)


def _findings(findings: Sequence[Finding], *, quiet: bool) -> Iterator[Text]:
    lines = list(finding_lines(findings, errors_only=quiet))
    yield from lines[1:] if quiet else lines
