"""How an audit ends on the screen: drives, rolls to look at, findings by kind, and the verdict, which comes last."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.cells import cell_len
from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left, right, rule, stamp
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import located, names_lines
from rollproof.models.audit_results import AuditCopy, AuditFinding, AuditResult, AuditRoll

_SIGNS = {
    "proven": ("proven", GOOD),
    "reread": ("read again", GOOD),
    "copied": ("not proven", WARN),
    "listed": ("listed", WARN),
    "damaged": ("DAMAGED", BAD),
    "incomplete": ("INCOMPLETE", BAD),
    "records broken": ("BAD RECORDS", BAD),
    "record only": ("NO FILES", BAD),
    "no record": ("NO RECORD", BAD),
    "empty": ("EMPTY", BAD),
}
"""A test holds these against `reports.audit_page.SIGNS`."""
_SEVERITIES = (("error", "Errors", BAD), ("warning", "Warnings", WARN), ("note", "Notes", QUIET))
_ROLL_WIDTH, _DAY_WIDTH, _COUNT_WIDTH, _CELL_WIDTH = 8, 11, 7, 12
_MOST_ROLLS, _MOST_FINDINGS = 15, 3


def audit_lines(
    result: AuditResult, *, everything: bool = False, quiet: bool = False, width: int = 80, fancy: bool = True
) -> Iterator[Text]:
    """Everything, the verdict last. Without `everything` only the rolls that need somebody, and of each kind of
    finding the first few. `quiet` leaves errors and the verdict."""
    if not quiet:
        yield from _drive_lines(result, width)
        yield from _roll_lines(result, everything=everything, width=width)
    yield from _finding_lines(result, everything=everything, quiet=quiet)
    if not quiet:
        yield Text()
        if result.document:
            yield join("  document: ", safe(result.document))
        yield rule(width, fancy=fancy)
    yield _verdict(result)


def _drive_lines(result: AuditResult, width: int) -> Iterator[Text]:
    yield Text()
    productions = words.listed([safe(name).plain for name in result.productions]) or "rolls without a production"
    yield join(Text("Audit of ", STRONG), Text(productions, STRONG))
    name_width = min(max((cell_len(safe(drive.name).plain) for drive in result.drives), default=0), 24)
    for drive in result.drives:
        device = f"device {drive.device}" if drive.device else "device ?"
        read_only = "  read-only" if drive.read_only else ""
        yield join(
            "  ", left(drive.name, name_width, STRONG, keep_end=True), "  ", Text(f"{device:<9}"),
            "  ", right(words.counted(drive.copies, "roll"), 9), "  ", right(words.size(drive.bytes), 9), read_only,
            "  ", safe(drive.path, QUIET) if drive.path != drive.name else "",
        )  # fmt: skip


def _needs_somebody(roll: AuditRoll) -> bool:
    return roll.state != "proven" or any(_SIGNS[copy.state][1] is BAD for copy in roll.copies)


def _roll_lines(result: AuditResult, *, everything: bool, width: int) -> Iterator[Text]:
    chosen = [roll for roll in result.rolls if everything or _needs_somebody(roll)]
    if not chosen:
        return
    yield Text()
    count = words.counted(len(result.rolls), "roll")
    title = f"All {count}" if everything else f"Rolls to look at: {words.number(len(chosen))} of {count}"
    yield Text(title, STRONG)
    shown = chosen if everything else chosen[:_MOST_ROLLS]
    fixed = 2 + _ROLL_WIDTH + _DAY_WIDTH + _COUNT_WIDTH + 3
    if width >= fixed + _CELL_WIDTH * len(result.drives):
        yield from _matrix(result, shown)
    else:
        for roll in shown:
            yield join("  ", *_head(roll), _sentence(result, roll))
    if len(shown) < len(chosen):
        yield Text(f"  and {words.number(len(chosen) - len(shown))} more; --all shows them", QUIET)


def _head(roll: AuditRoll) -> tuple[Text | str, ...]:
    enough = roll.copies_counted >= roll.copies_required
    count = str(roll.copies_counted) if enough else f"{roll.copies_counted} of {roll.copies_required}"
    style = GOOD if enough else BAD
    return (
        left(roll.name, max(_ROLL_WIDTH, 1), STRONG), " ", left(roll.day or "", _DAY_WIDTH), " ",
        left(count, _COUNT_WIDTH, style), " ",
    )  # fmt: skip


def _matrix(result: AuditResult, rolls: Sequence[AuditRoll]) -> Iterator[Text]:
    heads = [left(drive.name, _CELL_WIDTH - 1, keep_end=True) for drive in result.drives]
    line = join(
        "  ", left("roll", _ROLL_WIDTH), " ", left("day", _DAY_WIDTH), " ", left("proven", _COUNT_WIDTH), " ",
        Text(" ").join(heads),
    )  # fmt: skip
    line.stylize(QUIET)
    yield line
    for roll in rolls:
        cells = []
        for number in range(len(result.drives)):
            here = [copy for copy in roll.copies if copy.drive == number]
            cells.append(_cell(here))
        yield join("  ", *_head(roll), Text(" ").join(cells), _odds(roll, "  "))


def _cell(copies: Sequence[AuditCopy]) -> Text:
    if not copies:
        return left("-", _CELL_WIDTH - 1, QUIET)
    order = (BAD, WARN, GOOD)
    word, style = min((_SIGNS[copy.state] for copy in copies), key=lambda sign: order.index(sign[1]))
    more = f" +{len(copies) - 1}" if len(copies) > 1 else ""
    return left(word + more, _CELL_WIDTH - 1, style)


def _sentence(result: AuditResult, roll: AuditRoll) -> Text:
    """`proven on PRIMARY and BACKUP, DAMAGED on SHUTTLE`."""
    where: dict[str, list[str]] = {}
    for copy in roll.copies:
        where.setdefault(copy.state, []).append(safe(result.drives[copy.drive].name).plain)
    parts: list[Text] = []
    for state, (word, style) in _SIGNS.items():
        if state in where:
            parts.append(join(Text(word, style), f" on {words.listed(where[state])}"))
    if not parts:
        return Text("on none of these drives", BAD)
    return join(Text(", ").join(parts), _odds(roll, "; "))


def _odds(roll: AuditRoll, before: str) -> Text:
    """What the state of no single copy shows."""
    if roll.state == "damaged" and not any(_SIGNS[copy.state][1] is BAD for copy in roll.copies):
        return join(before, Text("COPIES DISAGREE", BAD))
    return Text()


def _finding_lines(result: AuditResult, *, everything: bool, quiet: bool) -> Iterator[Text]:
    groups: dict[tuple[str, str], list[AuditFinding]] = {}
    for finding in result.findings:
        groups.setdefault((finding.severity, finding.kind), []).append(finding)
    first = True
    for severity, heading, style in _SEVERITIES:
        chosen = [group for (word, _), group in groups.items() if word == severity]
        if not chosen or (quiet and severity != "error"):
            continue
        if not (quiet and first):
            yield Text()
        first = False
        yield Text(heading, style)
        for group in chosen:
            yield from _group_lines(result, group, everything=everything)


def _where(result: AuditResult, finding: AuditFinding) -> str:
    """The drive's name and the folder on it, rather than the whole path."""
    for drive in result.drives:
        if finding.drive.startswith(drive.path + "/"):
            return f"{drive.name}: {finding.drive[len(drive.path) + 1 :]}"
    return next((drive.name for drive in result.drives if drive.path == finding.drive), finding.drive)


def _group_lines(result: AuditResult, group: Sequence[AuditFinding], *, everything: bool) -> Iterator[Text]:
    shown = group if everything else group[:_MOST_FINDINGS]
    remedies = dict.fromkeys(finding.remedy for finding in shown)
    for finding in shown:
        yield join("  ", located(_where(result, finding), finding.path, finding.detail))
        yield from names_lines(finding.detail, finding.count, finding.others, everything=everything)
        if finding.remedy and len(remedies) > 1:
            yield join("    Next: ", safe(finding.remedy))
    if len(shown) < len(group):
        yield Text(f"  and {words.number(len(group) - len(shown))} more like it; --all shows them", QUIET)
    if len(remedies) == 1 and shown[0].remedy:
        yield join("    Next: ", safe(shown[0].remedy))


def _verdict(result: AuditResult) -> Text:
    count = words.counted(len(result.rolls), "roll")
    warnings = sum(finding.severity == "warning" for finding in result.findings)
    also = f" {words.counted(warnings, 'warning')} above to look at." if warnings else ""
    if result.basis == "reread":
        read = f"{words.counted(result.copies_reread, 'copy', 'copies')} read again"
        before = f" after {words.number(result.copies_read_before)} before" if result.copies_read_before else ""
        how = f"{read}{before}, {words.size(result.bytes_reread)} in {words.took(result.seconds)}."
    else:
        how = "Records and listings were compared; no footage was read."
    if result.verdict == "complete":
        return join(stamp("COMPLETE", GOOD), f"{count}, each with the copies asked for. {how}{also}")
    errors = sum(finding.severity == "error" for finding in result.findings)
    if not result.rolls:
        return join(stamp("NOT COMPLETE", BAD), "there is no roll that could be audited.")
    bad = sum(_needs_somebody(roll) for roll in result.rolls)
    rolls = f"{words.number(bad)} of {count} to look at" if bad else count
    return join(stamp("NOT COMPLETE", BAD), f"{rolls}, {words.counted(errors, 'error')}. {how}{also}")
