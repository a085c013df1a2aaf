"""Runs the report, says which roll is being read, and shows what was written."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, STRONG, Output, join, safe
from rollproof.cli.interrupt import cancelling
from rollproof.cli.screen.lines import rule, stamp
from rollproof.cli.session import Session
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.delivery_results import ReportResult
from rollproof.models.requests import Cancel, ReportRequest
from rollproof.station.context import Context

_KINDS = {
    "html": "page",
    "pdf": "PDF",
    "rolls_csv": "rolls as CSV",
    "clips_csv": "clips as CSV",
    "json": "all of it as JSON",
}
_SHOWN_ROLLS = 8


def run_report(session: Session, output: Output, request: ReportRequest, workflow: Callable[..., ReportResult]) -> int:
    """Call the workflow; returns the exit status. Our own errors come through."""
    cancel = Cancel()

    def say(path: str) -> None:
        if not output.manner.quiet:
            output.say(join(f"{session.wall():%H:%M:%S}  reading the records of ", safe(path)))

    with cancelling(cancel, lambda text: output.say(Text(text))):
        result = workflow(request, Context.of(cancel=cancel), say=say)
    session.hangs = any(finding.kind == "drive-hangs" for finding in result.findings)
    if output.manner.json:
        output.answer(result.as_json())
    if not (output.manner.json and output.manner.quiet):
        output.show(report_lines(result, quiet=output.manner.quiet, width=output.results.width, fancy=output.fancy))
    return int(result.status)


def report_lines(result: ReportResult, *, quiet: bool = False, width: int = 80, fancy: bool = True) -> Iterator[Text]:
    """What was written where, findings, and the report's own answer last."""
    if not quiet:
        yield Text()
        yield safe(result.title, STRONG)
        for kind, path in result.files.items():
            yield join(f"  {_KINDS.get(kind, kind):<18}", safe(path))
    lines = list(finding_lines(result.findings, errors_only=quiet))
    yield from lines[1:] if quiet else lines
    if not quiet:
        yield rule(width, fancy=fancy)
    rolls = words.counted(result.rolls, "roll")
    if result.open_findings:
        names = [safe(name).plain for name in result.open_findings[:_SHOWN_ROLLS]]
        more_of_them = len(result.open_findings) - len(names)
        named_ = words.listed([*names, f"{more_of_them} more"] if more_of_them > 0 else names)
        yield Text(f"Findings about the cards that nobody has accepted, first in the report: {named_}.", BAD)
    if result.verdict == "all proven":
        yield join(
            stamp("REPORT WRITTEN", BAD if result.open_findings else GOOD),
            f"{rolls}, all with the proven copies they need.",
        )
        return
    named = [safe(roll).plain for roll in result.lacking[:_SHOWN_ROLLS]]
    more = len(result.lacking) - len(named)
    which = words.listed([*named, f"{more} more"] if more > 0 else named)
    yield join(stamp("REPORT WRITTEN, NOT ALL PROVEN", BAD), f"of {rolls} keep the cards of {which}.")
