"""Runs the rebuild of the ledger, says which roll is being read, and shows what was taken in."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, Output, join, safe
from rollproof.cli.interrupt import cancelling
from rollproof.cli.screen.lines import rule, stamp
from rollproof.cli.session import Session
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.requests import Cancel
from rollproof.station.context import Context
from rollproof.workflows.rebuild import RebuildResult

_STYLES = {"proven": GOOD, "copied": WARN, "unproven": WARN}


def run_rebuild(
    session: Session, output: Output, paths: Sequence[bytes], workflow: Callable[..., RebuildResult]
) -> int:
    """Call the workflow; returns the exit status. Our own errors come through."""
    cancel = Cancel()

    def say(path: str) -> None:
        if not output.manner.quiet:
            output.say(join(f"{session.wall():%H:%M:%S}  reading the records of ", safe(path)))

    with cancelling(cancel, lambda text: output.say(Text(text))):
        result = workflow(paths, Context.of(cancel=cancel), say=say)
    if output.manner.json:
        output.answer(result.as_json())
    else:
        output.show(rebuild_lines(result, width=output.results.width, fancy=output.fancy))
    return int(result.status)


def rebuild_lines(result: RebuildResult, *, width: int = 80, fancy: bool = True) -> Iterator[Text]:
    """A line for every roll folder, findings, and what the ledger knows now."""
    for roll in result.rolls:
        of = join(" of ", safe(roll.production)) if roll.production else Text()
        counts = f"  {words.counted(roll.files, 'file')}, {words.counted(roll.records, 'record')}"
        yield join(
            Text("Roll ", STRONG), safe(roll.roll, STRONG), of, "  ", Text(roll.state, _STYLES.get(roll.state, BAD)),
            counts,
        )  # fmt: skip
        yield join("  ", safe(roll.path, QUIET))
        if roll.state != "proven" and roll.why:
            yield join("  ", safe(roll.why))
    yield from finding_lines(result.findings)
    yield rule(width, fancy=fancy)
    taken = sum(roll.state != "unknown" for roll in result.rolls)
    if not result.drives:
        yield join(stamp("NOT REBUILT", BAD), "none of these could be read; the ledger is as it was.")
        return
    word, style = ("REBUILT", GOOD) if int(result.status) == 0 else ("REBUILT IN PART", WARN)
    yield join(
        stamp(word, style),
        f"{words.counted(taken, 'copy', 'copies')} of rolls imported from {words.counted(result.drives, 'drive')}."
        " Copies count while they are absent only once they were seen: may-wipe or verify with the drive attached.",
    )
