"""How an offload ends on the screen: a line per drive, findings, what to do next, and a verdict nobody can misread."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.cells import cell_len
from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import left, rule, stamp
from rollproof.cli.screen.moments import first_to_last
from rollproof.cli.views import words
from rollproof.cli.views.advice import next_steps
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.events import RollPlanned
from rollproof.models.findings import Finding
from rollproof.models.results import DestinationResult, OffloadResult, RollResult

_STATES = {
    "proven": ("proven", GOOD),
    "copied": ("copied, not proven", WARN),
    "failed": ("FAILED", BAD),
    "incomplete": ("not complete", WARN),
}
_READBACK = {
    "medium": "read back from the drive itself",
    "server": "read back from its server",
    "cache": "read back, but not shown to be from the drive",
    None: "not read back",
}
_LABEL_LIMIT = 16


def offload_lines(
    result: OffloadResult,
    plans: Sequence[RollPlanned] = (),
    *,
    cards: int = 0,
    everything: bool = False,
    quiet: bool = False,
    width: int = 80,
    fancy: bool = True,
) -> Iterator[Text]:
    """State, reasons, what to do, and the verdict last. `cards` is how many were named. `quiet` leaves errors and
    verdicts; `everything` adds what each drive holds, and where."""
    if not quiet:
        taken: dict[str, int] = {}  # by the cards before, on each drive
        for plan in plans if result.verdict == "planned" else ():
            yield from _plan_lines(plan, taken)
        for roll in result.rolls:
            if roll.verdict in ("proven", "not proven"):
                yield from _roll_lines(roll, everything=everything)
    findings = list(finding_lines(_all_findings(result), errors_only=quiet, everything=everything))
    yield from findings[1:] if quiet else findings
    if not quiet:
        yield from _reason_lines(result)
    steps = [] if quiet else next_steps(result)
    if steps:
        yield Text()
        yield Text("What to do next", STRONG)
        for step in steps:
            yield Text("  " + step)
    if not quiet:
        yield rule(width, fancy=fancy)
    yield from _verdict_lines(result, cards, quiet=quiet)


def _all_findings(result: OffloadResult) -> list[Finding]:
    found = list(result.findings)
    for roll in result.rolls:
        mine = list(roll.findings)
        for destination in roll.destinations:
            # the workflow may name a drive's finding in both places
            mine += [finding for finding in destination.findings if finding not in mine]
        # why a card is kept says the same with more words
        kept = roll.card is not None and roll.card.answer != "MAY WIPE"
        found += [each for each in mine if each not in found and not (kept and each.kind == "too-few-copies")]
    return found


def _reason_lines(result: OffloadResult) -> Iterator[Text]:
    """Why each card is kept, a reason a line, each with the next thing to do."""
    for roll in result.rolls:
        if roll.card is None or roll.card.answer == "MAY WIPE" or not roll.card.reasons:
            continue
        yield Text()
        yield join(
            Text("Why the card is kept", STRONG), join(": roll ", safe(roll.roll)) if len(result.rolls) > 1 else ""
        )
        for reason in roll.card.reasons:
            what, dash, remedy = reason.partition(" — ")
            yield join("  ", safe(what))
            if dash:
                yield join("    Next: ", safe(remedy))


def _roll_lines(roll: RollResult, *, everything: bool) -> Iterator[Text]:
    what = [words.counted(roll.clips, "clip"), words.counted(roll.files, "file"), words.size(roll.bytes)]
    time = words.took(roll.seconds["total"]) if "total" in roll.seconds else ""
    yield Text()
    yield join(Text("Roll ", STRONG), safe(roll.roll, STRONG), ": " + ", ".join(what), f", in {time}" if time else "")
    if not everything and _without_trouble(roll):
        yield _proven_everywhere(roll)
        return
    labels = [safe(each.drive).plain for each in roll.destinations]
    label_width = min(max((cell_len(label) for label in labels), default=0), _LABEL_LIMIT)
    state_width = max((len(_state(each)[0]) for each in roll.destinations), default=0)
    for destination in roll.destinations:
        yield from _destination_lines(destination, label_width, state_width)
    damaged = _damaged(roll)
    if damaged:
        where, then = (
            ("here", "") if _of_copy(roll) else ("on the card", " Tell the camera team now, and KEEP the card.")
        )
        copied = "copied as it is." if damaged == 1 else "copied as they are."
        yield join(Text(f"  {words.counted(damaged, 'clip')} {where} DAMAGED", BAD), f": {copied}{then}")
    if _of_copy(roll):
        yield from _source_lines(roll)
        return
    reads = {1: "The card was read once.", 2: "The card was read twice."}.get(roll.source_reads)
    if reads and any(each.files_proven or each.files_copied for each in roll.destinations):
        evidence = set(roll.source_evidence) - {"medium"}
        yield Text(f"  {reads}" + (" Not every pass was shown to come from the card itself." if evidence else ""))


def _without_trouble(roll: RollResult) -> bool:
    """Whether one line says it all: every copy proven, each read back in the same way, no clip damaged."""
    ways = {destination.readback for destination in roll.destinations}
    proven = all(destination.state == "proven" for destination in roll.destinations)
    return proven and len(ways) == 1 and roll.source_kind == "card" and not _damaged(roll)


def _proven_everywhere(roll: RollResult) -> Text:
    drives = words.listed([safe(destination.drive).plain for destination in roll.destinations])
    way = _READBACK[roll.destinations[0].readback]
    return join("  ", Text("proven", GOOD), f" on {drives}, {'each ' if len(roll.destinations) > 1 else ''}{way}")


def _state(destination: DestinationResult) -> tuple[str, str]:
    """The word for a copy's state. One that read back as something else is not merely unfinished."""
    differs = any(finding.kind == "readback-differs" for finding in destination.findings if finding.severity == "error")
    if differs and destination.state in ("incomplete", "failed"):
        return "READS BACK WRONG", BAD
    return _STATES[destination.state]


def _of_copy(roll: RollResult) -> bool:
    return roll.source_kind == "copy"


def _source_lines(roll: RollResult) -> Iterator[Text]:
    """Where a copy of a copy came from, and how it was compared."""
    how = "proven by an earlier run, not read again" if not roll.source_reads else "read and compared with its records"
    yield join(f"  A copy of a recorded roll, {how}:")
    yield join("  ", safe(roll.card_path, QUIET))


def _destination_lines(destination: DestinationResult, label_width: int, state_width: int) -> Iterator[Text]:
    word, style = _state(destination)
    total = words.counted(destination.files_total, "file")
    if destination.state == "proven":
        files = f"{words.number(destination.files_proven)} of {total}"
    else:
        counts = ((destination.files_proven, "proven"), (destination.files_copied, "copied"))
        have = [f"{words.number(count)} {what}" for count, what in counts if count]
        files = f"{' and '.join(have) or 'none'} of {total}"
    label = left(destination.drive, label_width, STRONG, keep_end=True)
    role = destination.role if destination.role != destination.drive else ""
    yield join(
        "  ", label, "  ", Text(f"{word:<{state_width}}", style), "  ", files, ", ", _READBACK[destination.readback],
        join(", ", safe(role)) if role else "",
    )  # fmt: skip
    yield join("  ", " " * label_width, "  ", safe(destination.path, QUIET))


def _plan_lines(plan: RollPlanned, taken: dict[str, int]) -> Iterator[Text]:
    what = [words.counted(plan.clips, "clip"), words.counted(plan.files, "file"), words.size(plan.size_bytes)]
    yield Text()
    yield join(Text("Roll ", STRONG), safe(plan.roll, STRONG), ": " + ", ".join(what) + " on ", safe(plan.card))
    if plan.of_copy:
        yield Text("  A copy of a recorded roll, not a card: every file would be compared with its records.")
    if plan.first_clip:
        yield join("  ", first_to_last(plan))
    if plan.layout:
        yield join("  ", safe(plan.layout, QUIET))
    if plan.roll_from:
        yield Text(f"  name taken from {plan.roll_from}", QUIET)
    times = "twice" if plan.source_passes > 1 else "once"
    yield Text(f"  The {'source' if plan.of_copy else 'card'} would be read {times}.")
    label_width = min(max((cell_len(safe(each.drive).plain) for each in plan.drives), default=0), _LABEL_LIMIT)
    for drive in plan.drives:
        copy = f"copy {words.counted(drive.write_files, 'file')}, {words.size(drive.write_bytes)}"
        back = f"read back {words.counted(drive.read_back_files, 'file')}, {words.size(drive.read_back_bytes)}"
        known = (
            f"; {words.counted(drive.already_proven_files, 'file')} proven already"
            if drive.already_proven_files
            else ""
        )
        yield join("  ", left(drive.drive, label_width, STRONG, keep_end=True), f"  {copy}; {back}{known}")
        taken[drive.drive] = taken.get(drive.drive, 0) + drive.write_bytes
        if drive.free_bytes is not None:
            after = words.size(max(drive.free_bytes - taken[drive.drive], 0))
            time = f"; {words.about(drive.seconds)}, as fast as the last copy" if drive.seconds is not None else ""
            yield join("  ", " " * label_width, f"  then {after} are free on it{time}")
        yield join("  ", " " * label_width, "  ", safe(drive.path, QUIET))


def _verdict_lines(result: OffloadResult, cards: int, *, quiet: bool) -> Iterator[Text]:
    said = len(result.rolls) > 1 and all(roll.verdict == "proven" and roll.enough_copies for roll in result.rolls)
    for roll in result.rolls if quiet or not said else ():  # else each roll's own line has said it
        yield _roll_verdict(roll)
    not_begun = max(cards - len(result.rolls), 0) + result.not_begun
    if len(result.rolls) != 1 or not_begun:
        yield _over_all(result, not_begun)
    for roll in result.rolls:
        if roll.card is not None:
            which = join(" of roll ", safe(roll.roll)) if len(result.rolls) > 1 else Text()
            style = GOOD if _may_be_wiped(roll) else BAD
            kept = "" if _may_be_wiped(roll) else ". Do not format it."
            damaged = 0 if _may_be_wiped(roll) else _damaged(roll)
            told = Text(f" {words.counted(damaged, 'clip')} DAMAGED", BAD) if damaged else Text()
            then = ": tell the camera team now." if damaged else ""
            yield join("Card", which, ": ", Text(roll.card.answer, style), kept, told, then)


def _damaged(roll: RollResult) -> int:
    """How many clips are damaged."""
    return sum(finding.count for finding in roll.findings if finding.kind == "damaged-clip")


def _may_be_wiped(roll: RollResult) -> bool:
    return roll.card is not None and roll.card.answer == "MAY WIPE"


def _roll_verdict(roll: RollResult) -> Text:
    name = safe(roll.roll or roll.card_path)
    total = len(roll.destinations)
    proven = sum(each.state == "proven" for each in roll.destinations)
    if roll.verdict == "planned":
        return join(stamp("PLAN ONLY", WARN), "roll ", name, " can be copied. Nothing was written.")
    if roll.verdict == "refused":
        return join(stamp("REFUSED", BAD), "roll ", name, " was not started. Nothing was written.")
    drives = f"{proven} of {words.counted(total, 'drive')}"
    counted = f"{roll.copies_counted} counted, {roll.copies_required} asked for"
    keep = "Keep every other copy." if _of_copy(roll) else "Keep the card."
    if _may_be_wiped(roll):  # a drive failed, and the others are enough: the card's own line has the answer
        keep = f"Copies: {counted}."
    if roll.interrupted:
        return join(stamp("STOPPED, NOT PROVEN", BAD), "roll ", name, f" is proven on {drives}. {keep}")
    if roll.verdict == "proven" and roll.enough_copies:
        return join(stamp("PROVEN", GOOD), "roll ", name, f" is proven on {drives}.")
    if roll.verdict == "proven":
        if _may_be_wiped(roll):
            return join(
                stamp("PROVEN", GOOD), "roll ", name, f" is proven on {drives}; {counted}, and copies made before"
                " count as well.",
            )  # fmt: skip
        return join(
            stamp("PROVEN, TOO FEW COPIES", WARN), "roll ", name, f" is proven on {drives}; {counted}. {keep}",
        )  # fmt: skip
    if proven == total:
        # what is there is proven, and something about the card itself is wrong
        what = "is not all that is recorded" if _of_copy(roll) else "is not the card as it is now"
        held = f": {drives} hold what was copied, and that {what}. {keep}"
        return join(stamp("NOT PROVEN", BAD), "roll ", name, held)
    return join(stamp("NOT PROVEN", BAD), "roll ", name, f" is proven on {drives}. {keep}")


def _over_all(result: OffloadResult, not_begun: int) -> Text:
    count = len(result.rolls)
    one = "roll" if count and all(_of_copy(roll) for roll in result.rolls) else "card"
    if not count and result.verdict == "not proven":
        return join(stamp("STOPPED", BAD), "no card was begun. Nothing was written.")
    if result.verdict == "refused":
        return join(stamp("REFUSED", BAD), "nothing was written.")
    if result.verdict == "planned":
        return join(stamp("PLAN ONLY", WARN), f"{words.counted(count, one)}. Nothing was written.")
    planned = sum(roll.verdict == "planned" for roll in result.rolls)
    if planned:
        can = f"{planned} of {words.counted(count + not_begun, one)} can be copied. Nothing was written."
        return join(stamp("PLAN ONLY", WARN), can)
    proven = sum(roll.verdict == "proven" for roll in result.rolls)
    few = sum(not roll.enough_copies and not _may_be_wiped(roll) for roll in result.rolls)
    if result.verdict == "proven" and few:
        return join(
            stamp("ALL PROVEN, TOO FEW COPIES", WARN),
            f"{words.counted(count, 'roll')}, {few} of them with too few copies."
            f" Keep {'every other copy' if one == 'roll' else 'the cards'}.",
        )
    if result.verdict == "proven":
        return join(stamp("ALL PROVEN", GOOD), f"{words.counted(count, 'roll')}.")
    waiting = f" {words.counted(not_begun, f'more {one}')} not begun." if not_begun else ""
    return join(stamp("NOT ALL PROVEN", BAD), f"{proven} of {words.counted(count, 'roll')} proven.{waiting}")
