"""What was written down about pictures that somebody looked at."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import stamp
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.workflows.looked_at import LookedAtResult


def looked_at_lines(result: LookedAtResult) -> Iterator[Text]:
    """A line for every copy, findings, and the verdict last."""
    for roll in result.rolls:
        yield join("Roll ", safe(roll.roll, STRONG))
        for copy in roll.copies:
            said = safe(copy.record) if copy.record else Text("no record was written", WARN)
            yield join("  ", safe(copy.drive), "  ", said)
    yield from finding_lines(result.findings)
    written = sum(copy.record is not None for roll in result.rolls for copy in roll.copies)
    if result.verdict == "recorded":
        where = words.counted(written, "copy", "copies")
        yield join(stamp("RECORDED", GOOD), f"on {where}: the pictures were looked at.")
    else:
        yield join(stamp("NOT RECORDED", BAD), "see the errors above.")
