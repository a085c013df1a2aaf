"""What an inspection found, on one screen: what it is, the clips, the totals, what is wrong, and the verdict last."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, STRONG, WARN, join, safe
from rollproof.cli.screen.lines import rule, stamp
from rollproof.cli.views import words
from rollproof.cli.views.clips_view import clip_table
from rollproof.cli.views.findings_view import finding_lines
from rollproof.models.findings import Finding
from rollproof.models.inspect_results import NOT_CERTAIN, ClipOut, InspectedRoll, InspectResult, KnownCopyOut, RecordOut

_WHAT = {"card": "Card", "roll": "Offloaded roll", "clip": "Clip"}
_RECORD_STYLES = {"proven": GOOD, "copied": WARN, "unproven": BAD}
_READBACK = {
    "medium": ", read back from the drive itself",
    "server": ", read back from its server",
    "cache": ", not shown to be read from the drive",
    None: "",
}
_ENDS_OF_MANY = 3


def inspect_lines(
    result: InspectResult, *, show_all: bool, quiet: bool, width: int, fancy: bool = True
) -> Iterator[Text]:
    """Everything. `quiet` leaves errors and the verdict."""
    if not quiet:
        for number, roll in enumerate(result.rolls):
            if number:
                yield Text()
            yield from _head(roll)
            clips = _clips_of(result, number)
            if clips:
                yield Text()
                ends = _ENDS_OF_MANY if len(result.rolls) > 1 else 8
                yield from clip_table(clips, width, show_all=show_all, ends=ends)
                yield Text()
            yield _totals(roll, clips)
            posters = [clip.poster for clip in clips if clip.poster]
            if posters:
                folder = safe(posters[0].rpartition("/")[0] or ".")
                yield join(f"  {words.counted(len(posters), 'poster')} written into ", folder)
            if roll.known_copies:
                yield from _known(roll.known_copies)
    yield from finding_lines(_damaged_first(result.findings), errors_only=quiet, everything=show_all)
    if not quiet:
        yield rule(width, fancy=fancy)
    yield _verdict(result)


def _clips_of(result: InspectResult, number: int) -> list[ClipOut]:
    start = sum(roll.clips for roll in result.rolls[:number])
    return result.clips[start : start + result.rolls[number].clips]


def _head(roll: InspectedRoll) -> Iterator[Text]:
    name = safe(roll.roll, STRONG) if roll.roll else Text("without a name", WARN)
    what = "Clip of roll" if roll.what == "clip" else _WHAT[roll.what]
    told = safe(roll.roll_from).plain
    certain = roll.roll and not told.startswith(NOT_CERTAIN)
    where = f"   (name taken from {told})" if certain else f"   ({told})"
    yield join(f"{what} ", name, Text(where, QUIET))
    parts = [safe(roll.path).plain]
    if roll.label and roll.label != roll.roll:
        parts.append(f'volume "{safe(roll.label).plain}"')
    yield Text("  " + ", ".join(parts))
    if roll.layouts:
        yield join("  ", safe("; ".join(roll.layouts)))
    if roll.capacity_bytes and roll.what != "clip":
        free = words.size(roll.free_bytes)
        if roll.whole_volume:
            used = max(roll.capacity_bytes - roll.free_bytes, 0)
            yield Text(f"  {words.size(used)} used, {free} free of {words.size(roll.capacity_bytes)}", QUIET)
        else:
            yield Text(f"  {free} free on the drive it lies on", QUIET)
    if roll.record is not None:
        yield from _record(roll.record)


def _record(record: RecordOut) -> Iterator[Text]:
    word = Text("not proven" if record.state == "unproven" else record.state, _RECORD_STYLES[record.state])
    readback = _READBACK[record.readback] if record.state == "proven" else ""
    yield join("  by its records: ", word, readback, Text("; nothing was compared just now", QUIET))
    if record.offloaded_at:
        who = f" by {safe(record.offloaded_by).plain}" if record.offloaded_by else ""
        yield Text(f"  offloaded {record.offloaded_at[:16].replace('T', ' ')}{who}", QUIET)
    if record.state != "proven":
        for sentence in record.why[:2]:
            yield join("    ", safe(sentence))
        if record.remedy:
            yield join("    Next: ", safe(record.remedy))


def _totals(roll: InspectedRoll, clips: Sequence[ClipOut]) -> Text:
    parts = [
        words.counted(roll.clips, "clip"),
        words.counted(roll.files, "file"),
        words.size(roll.bytes),
    ]
    if roll.duration_seconds:
        parts.append(f"{words.took(roll.duration_seconds)} in all")
    aside = sum(clip.set_aside for clip in clips)
    if aside:
        parts.append(f"{words.number(aside)} set aside")
    states = [
        f"{words.number(count)} {word}"
        for count, word in ((roll.damaged, "DAMAGED"), (roll.odd, "odd"), (roll.unknown, "not known"))
        if count
    ]
    return Text("  " + ", ".join(parts) + (": " + ", ".join(states) if states else ""))


def _known(copies: Sequence[KnownCopyOut]) -> Iterator[Text]:
    yield Text()
    yield Text("What this station remembers of it, by name, size and date", STRONG)
    for copy in copies:
        state = Text(copy.state, GOOD if copy.state == "proven" else WARN)
        files = f", {words.number(copy.proven)} of {words.counted(copy.files, 'file')} proven"
        if copy.state == "proven" and copy.proven == copy.files:
            files = f", all {words.counted(copy.files, 'file')} it has of these"
        seen = f", seen {copy.seen_at[:16].replace('T', ' ')}" if copy.seen_at else ", never seen here"
        yield join("  ", safe(copy.drive or "a drive", STRONG), "  ", state, files, Text(seen, QUIET))


def _damaged_first(findings: Sequence[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda finding: finding.kind != "damaged-clip")


def _verdict(result: InspectResult) -> Text:
    total = sum(roll.clips for roll in result.rolls)
    damaged = sum(roll.damaged for roll in result.rolls)
    odd = sum(roll.odd for roll in result.rolls)
    unknown = sum(roll.unknown for roll in result.rolls)
    where = f" in {words.counted(len(result.rolls), 'roll')}" if len(result.rolls) > 1 else ""
    clips = words.counted(total, "clip")
    if damaged:
        which = "the clip is not whole" if total == 1 else f"{words.number(damaged)} of {clips}{where}"
        line = f"{which}. Tell the camera team now; KEEP the card."
        return join(stamp("DAMAGED", BAD), line)
    if any(finding.severity == "error" for finding in result.findings):
        return join(stamp("NOT WELL", BAD), f"no clip is damaged, but see the errors above ({clips}).")
    if not total:
        return Text("No clip was found here.", WARN)
    if any(finding.severity == "warning" for finding in result.findings) and not odd + unknown:
        return join(stamp("LOOK", WARN), f"every clip here is whole ({clips}), but see the warnings above.")
    said = [f"{words.number(odd)} odd"] * bool(odd) + [f"{words.number(unknown)} not known"] * bool(unknown)
    if not said:
        which = "the clip is" if total == 1 else f"all {clips}{where} are"
        line = f"{which} complete. Somebody has to look at the pictures: this cannot."
        return join(stamp("WHOLE", GOOD), line)
    whole = words.number(total - odd - unknown)
    return join(stamp("LOOK", WARN), f"{whole} of {clips}{where} whole, {words.listed(said)}.")
