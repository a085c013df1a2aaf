"""What to do next after an offload: a few sentences from its result. Pure."""

from __future__ import annotations

import shlex

from rollproof.models.findings import Finding
from rollproof.models.names import inert
from rollproof.models.results import OffloadResult, RollResult

_SOURCE = "the copy that was copied from"
_STEPS = {
    "refused": ["Mend the errors above and run the same command again: what is proven is not copied again."],
    "planned": ["Run the same command without --dry-run to copy."],
}
"""Where nothing was begun, the verdict alone says it."""


def next_steps(result: OffloadResult) -> list[str]:
    """At most one sentence per situation, the most pressing first."""
    if result.verdict == "refused":
        return ["Mend the errors above and run the same command again. Nothing was written."]
    steps: list[str] = []
    for roll in result.rolls:
        for step in _STEPS[roll.verdict] if roll.verdict in _STEPS else _roll_steps(roll):
            if step not in steps:
                steps.append(step)
    if any(_hangs(roll) for roll in result.rolls):
        steps.append(
            "If the prompt does not come back, unplug the drive that does not answer: the computer is waiting for it."
        )
    return steps


def _roll_steps(roll: RollResult) -> list[str]:
    steps = []
    states = {destination.state for destination in roll.destinations}
    if roll.interrupted:
        steps.append("Run the same command again to go on: what is proven is not copied again.")
    elif "failed" in states or "incomplete" in states:
        which = _at_fault(roll)
        if which == _SOURCE:
            steps.append("Name another copy of the roll, and run it again: only what is missing is then copied.")
        else:
            steps.append(f"See to {which}, then run the same command again: what is proven is not copied again.")
    told = {finding.kind for finding in roll.findings if finding.remedy}
    if {"no-right-to-device", "source-from-cache"} <= told:
        # the card's two reads are lacking: no verify of the copies could supply them
        steps.append(
            "Install the rule named above (rollproof drives shows it again), plug the card and the drives in again,"
            " then run the same command again: what was copied is not copied again."
        )
        return steps
    steps += [
        f"Unplug {inert(each.drive)}, plug it in again, then: rollproof verify {inert(shlex.quote(each.path))}"
        for each in roll.destinations
        if each.state == "copied" and each.readback == "cache"
    ]
    # what a finding with a remedy has said already is not said twice
    if roll.source_kind == "card" and roll.source_reads < 2 and "copied" in states and "single-read" not in told:
        steps.append(
            "The card was read once only: run the same command again without --single-read before it is wiped."
        )
    may_be_wiped = roll.card is not None and roll.card.answer == "MAY WIPE"
    if not (roll.enough_copies or may_be_wiped or "failed" in states or roll.interrupted or "too-few-copies" in told):
        steps.append(
            f"Make more copies: {roll.copies_counted} proven on separate devices, {roll.copies_required} asked for."
        )
    if roll.verdict == "proven" and roll.enough_copies and roll.card is None and roll.source_kind == "card":
        steps.append(
            "Keep the card as it is until someone has looked at the pictures and your production's rules allow a wipe."
        )
    return steps


def _at_fault(roll: RollResult) -> str:
    """What somebody has to look after: the drives that failed, else the card where it is the card's own errors that
    keep the copies from being complete, else the drives that are not complete."""
    failed = _drives(roll, "failed")
    if failed:
        return failed
    of_drives = any(f.severity == "error" and f.drive for f in _all_findings(roll))
    of_card = any(f.severity == "error" and not f.drive for f in roll.findings)
    if of_card and not of_drives and roll.source_kind == "copy":
        return _SOURCE
    return "the card and its reader" if of_card and not of_drives else _drives(roll, "incomplete")


def _all_findings(roll: RollResult) -> list[Finding]:
    return [*roll.findings, *(finding for each in roll.destinations for finding in each.findings)]


def _drives(roll: RollResult, *states: str) -> str:
    return " and ".join(inert(each.drive) for each in roll.destinations if each.state in states)


def _hangs(roll: RollResult) -> bool:
    return any(finding.kind == "drive-hangs" for finding in _all_findings(roll))
