"""How the question *may this card be wiped?* ends on the screen: what it rests on, the reasons, the answer last."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from rich.cells import cell_len
from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left, rule
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines, located
from rollproof.cli.views.large_letters import large
from rollproof.models.findings import Finding
from rollproof.models.results import MayWipeResult, WipeCopy

_MOST_REASONS = 3
_MOST_NAMES = 3
_LABEL_MOST = 30
_NAME_IT_THEMSELVES = ("not-offloaded", "card-unknown", "card-missing", "not-a-card-root")
_BASIS = {
    "reread": "The card was read again just now and compared by content.",
    "listing": "The card was not read again: nothing on it changed since this station read it twice.",
    None: "The card was not read: what is said below is enough to keep it.",
}
_NOTHING_ON_IT = "Every folder of the card was looked into just now."
_READBACK = {
    "medium": "read back from the drive itself",
    "server": "read back from its server",
    "cache": "not shown to be from the drive",
    None: "not read back",
}
FORMAT_IT = (
    "Format it in the camera, never here. Your production's insurer, completion guarantor or data policy may ask for"
    " more than is counted here."
)
KEEP_IT = "KEEP the card: do not format it. Nothing was written to it."


def wipe_lines(
    result: MayWipeResult,
    *,
    show_all: bool = False,
    quiet: bool = False,
    plain: bool = False,
    width: int = 80,
    fancy: bool = True,
) -> Iterator[Text]:
    """What to check, the reasons, what to do, and the answer itself as the last line. `plain` writes it small only;
    `quiet` leaves the answer and its reasons; `show_all` adds paths, devices and records."""
    wipe = result.answer == "MAY WIPE"
    style = GOOD if wipe else BAD
    reasons = [finding for finding in result.findings if finding.severity == "error"]
    if not quiet:
        yield from _card_lines(result)
        yield from _copy_lines(result.copies, show_all=show_all)
        if result.permits:
            yield join("The permit is written beside ", words.counted(len(result.permits), "copy", "copies"), ".")
            yield from (join("  ", safe(path, QUIET)) for path in result.permits if show_all)
        others = [finding for finding in result.findings if finding.severity != "error"]
        yield from finding_lines(others, everything=show_all)
    yield from _reason_lines(reasons, show_all=show_all)
    if not quiet:
        yield rule(width, fancy=fancy)
    yield Text(FORMAT_IT if wipe else KEEP_IT)
    if not (plain or quiet):
        yield from (Text(row, f"{style} bold") for row in large(result.answer, width, fancy=fancy))
    yield Text(result.answer, f"{style} bold")


def _reason_lines(reasons: list[Finding], *, show_all: bool) -> Iterator[Text]:
    shown = reasons if show_all else reasons[:_MOST_REASONS]
    if not shown:
        return
    yield Text()
    yield Text("Why the card is kept", STRONG)
    for number, finding in enumerate(shown, 1):
        path = finding.path if finding.count == 1 and finding.kind not in _NAME_IT_THEMSELVES else ""
        yield join(f"  {number}. ", located("", path, finding.detail))
        if finding.count > 1:
            names = [safe(name).plain for name in finding.others[: None if show_all else _MOST_NAMES]]
            more = f": {words.listed(names)}" if names else ""
            yield join(f"     {words.counted(finding.count, 'file')}, the first: ", safe(finding.path), more)
        if finding.remedy:
            yield join("     Next: ", safe(finding.remedy))
    if len(reasons) > len(shown):
        more = words.counted(len(reasons) - len(shown), "more reason")
        yield Text(f"  and {more}; --all shows them", QUIET)


def _card_lines(result: MayWipeResult) -> Iterator[Text]:
    if not result.capacity_bytes:
        return
    yield Text("Check against the card in your hand", STRONG)
    label = join("labelled ", safe(result.label)) if result.label else Text("no label")
    yield join("  ", label, f", {words.size(result.capacity_bytes)}")
    if result.files:
        content = f"{words.counted(result.clips, 'clip')}, {words.counted(result.files, 'file')}"
        yield Text(f"  {content}, {words.size(result.bytes)}")
    else:
        yield Text("  empty: there is no file on it")
    if result.first_clip:
        yield join("  first clip ", safe(result.first_clip, STRONG), ", last clip ", safe(result.last_clip, STRONG))
    for roll in result.rolls:
        of = join(" of ", safe(roll.production)) if roll.production else Text()
        count = f": {words.counted(roll.copies_counted, 'copy', 'copies')} counted, {roll.copies_required} required"
        asked = join(", as ", safe(roll.required_by), " asks") if roll.required_by else Text()
        yield join("  roll ", safe(roll.roll, STRONG), of, count, asked)
    if result.rules_from:
        yield join("  rules: ", safe(result.rules_from))
    yield Text(f"  {_NOTHING_ON_IT if result.basis and not result.files else _BASIS[result.basis]}")


def _copy_lines(copies: list[WipeCopy], *, show_all: bool) -> Iterator[Text]:
    if not copies:
        return
    yield Text()
    yield Text("Copies", STRONG)
    width = min(max(cell_len(safe(copy.drive).plain) for copy in copies), _LABEL_MOST)
    for copy in copies:
        counted = Text("counts", GOOD) if copy.counted else Text("does not count", WARN)
        there = "attached" if copy.attached else f"absent, last seen {_moment(copy.seen_at)}"
        role = join(" (", safe(copy.role), ")") if copy.role and copy.role != copy.drive else Text()
        label = left(copy.drive, width, STRONG, keep_end=True)
        yield join("  ", label, role, "  ", counted, f"  {there}, {_READBACK[copy.readback]}")
        if copy.device and show_all:
            yield join("    on ", safe(copy.device))
        if show_all or not copy.counted:
            yield join("    ", safe(copy.why or "no record says more"))


def _moment(text: str | None) -> str:
    if text is None:
        return "never"
    return f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M}"
