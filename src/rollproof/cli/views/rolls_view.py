"""The rolls this station has seen, a line each, and one roll's story as a timeline."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from rich.cells import cell_len
from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, command_text, join, safe
from rollproof.cli.screen.lines import left
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import finding_lines
from rollproof.proof.permits import permit_words
from rollproof.workflows.rolls import CopyLine, RollHistory, RollLine, RollsResult, TimelineLine, UnfinishedOffload

_STYLES = {"proven": GOOD, "too few copies": WARN, "copied": WARN}
_NAME_LIMIT = 24


def rolls_lines(result: RollsResult, *, named: bool) -> Iterator[Text]:
    """The list; with `named` the histories instead."""
    if named:
        for number, history in enumerate(result.histories):
            if number:
                yield Text()
            yield from _history_lines(history)
        if not result.histories and not result.unfinished:
            yield Text("This station has seen no roll of that name.")
    elif result.rolls or not result.unfinished:
        yield from _list_lines(result.rolls)
    for number, begun in enumerate(result.unfinished):
        if number or result.rolls:
            yield Text()
        yield from _unfinished_lines(begun)
    yield from finding_lines(result.findings)


def _list_lines(rolls: Sequence[RollLine]) -> Iterator[Text]:
    if not rolls:
        yield Text("This station has seen no such roll.")
        return
    width = min(max(cell_len(safe(roll.roll).plain) for roll in rolls), _NAME_LIMIT)
    for roll in rolls:
        copies = f"{words.counted(roll.devices_proven, 'copy', 'copies')}, {roll.copies_required} required"
        what = f"{words.counted(roll.clips, 'clip')}, {words.size(roll.bytes)}"
        permit = join("  permit ", safe(roll.permit)) if roll.permit else Text("  no permit", QUIET)
        if roll.permit == "used again":
            permit = Text("  no permit for what is on it now", WARN)
        yield join(
            left(roll.roll, width, STRONG), "  ", Text(f"{roll.state:<14}", _STYLES.get(roll.state, BAD)),
            f"  {copies}  {what}", permit,
        )  # fmt: skip
        yield join(" " * width, "  ", _where(roll), style=QUIET)
        if roll.permit_at is not None:
            said = permit_words(roll.permit or "", _moment(roll.permit_at))
            yield join(" " * width, "  ", said, style=WARN if roll.permit == "used again" else QUIET)
        if roll.looked_at is not None:
            looked = roll.looked_at
            note = join(" (", safe(looked.note), ")") if looked.note else Text()
            yield join(
                " " * width, "  pictures looked at by ", safe(looked.by), f", {_moment(looked.at)}", note, style=QUIET
            )


_BEGUN = {"at work": "at work now", "unfinished": "not finished", "left over": "not finished, not needed"}


def _unfinished_lines(begun: UnfinishedOffload) -> Iterator[Text]:
    """A roll that no run has finished, with the command that does."""
    drives = [safe(drive).plain for drive in begun.drives]
    yield join(
        safe(begun.roll, STRONG), "  ", Text(_BEGUN[begun.state], BAD if begun.needs_card else WARN),
        f"  on {words.listed(drives)}, begun {_moment(begun.began_at)}",
    )  # fmt: skip
    parts = [begun.production, f"day {begun.day}" if begun.day else None, f"unit {begun.unit}" if begun.unit else None]
    if any(parts):
        yield join("  ", safe(", ".join(part for part in parts if part)), style=QUIET)
    if begun.state == "at work":
        yield Text("  Wait until it has ended.")
        return
    if begun.state == "left over":
        yield Text("  Its card was offloaded again since, and has the copies that it needs.")
    yield Text("  Keep the card. Finish it with:" if begun.needs_card else "  Finish it with:")
    yield command_text(begun.command)


def _where(roll: RollLine) -> Text:
    parts = [
        safe(part).plain
        for part in (
            roll.production,
            f"day {roll.day}" if roll.day else None,
            f"unit {roll.unit}" if roll.unit else None,
            f"camera {roll.camera}" if roll.camera else None,
            f"offloaded {_moment(roll.last_at)}",
        )
        if part
    ]
    return Text(", ".join(parts))


def _history_lines(history: RollHistory) -> Iterator[Text]:
    roll = history.roll
    yield from _list_lines([roll])
    if roll.first_clip:
        yield join("  first clip ", safe(roll.first_clip), ", last clip ", safe(roll.last_clip))
    yield Text()
    yield Text("Copies", STRONG)
    for copy in history.copies:
        yield from _copy_lines(copy)
    yield Text()
    yield Text("What happened", STRONG)
    for line in history.timeline:
        yield _timeline_line(line)


def _copy_lines(copy: CopyLine) -> Iterator[Text]:
    seen = f"last seen here {_moment(copy.seen_at)}" if copy.seen_at else "never seen here, known from records"
    device = join("  on ", safe(copy.device)) if copy.device else Text()
    state = Text(copy.state, _STYLES.get(copy.state, BAD))
    yield join("  ", safe(copy.drive or "a drive", STRONG), "  ", state, device, f", {seen}")
    if copy.gone_at:
        yield Text(f"    its drive was seen without it {_moment(copy.gone_at)}", WARN)
    if copy.why:
        yield join("    ", safe(copy.why, QUIET))


def _timeline_line(line: TimelineLine) -> Text:
    who = join(", ", safe(line.who)) if line.who else Text()
    drive = join(" on ", safe(line.drive)) if line.drive else Text()
    verdict = join(": ", safe(line.verdict)) if line.verdict else Text()
    detail = join(" (", safe(line.detail), ")") if line.detail else Text()
    return join(f"  {_moment(line.at)}  ", safe(line.what, STRONG), drive, verdict, detail, who)


def _moment(moment: datetime) -> str:
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"
