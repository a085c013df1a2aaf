"""What is said once, when its moment comes: the card may be pulled, a drive may be unplugged, something went wrong."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from rich.text import Text

from rollproof.cli.console import BAD, GOOD, QUIET, WARN, join, safe
from rollproof.cli.pictures import Moment, MomentKind
from rollproof.cli.views import words
from rollproof.cli.views.findings_view import drive_names, located, without_names
from rollproof.models.events import RollPlanned, StillNeeded
from rollproof.models.findings import Finding, Severity

_SEVERITY = {Severity.ERROR: ("ERROR", BAD), Severity.WARNING: ("warning", WARN), Severity.NOTE: ("note", QUIET)}

_NEEDED = {
    StillNeeded.SLOWER_DRIVE: "A slower drive gets the rest from it: leave it plugged in",
    StillNeeded.OTHER_DESTINATION: "Another destination of this roll lies on the same drive: leave it plugged in",
    StillNeeded.MORE_ROLLS: "It is needed to the end: leave it plugged in",
    StillNeeded.HISTORIES: "It is needed to the end: leave it plugged in",
    StillNeeded.OTHER_RUN: "Another run of this station is at work on it: leave it plugged in",
    StillNeeded.NOT_KNOWN: "Whether another run is at work on it could not be told: unplug it when none is",
}


class MomentWords:
    """Puts moments into words, each with the time of day. `several` cards make it name the roll every time."""

    def __init__(self, wall: Callable[[], datetime], *, several: bool, plain: bool) -> None:
        self._wall = wall
        self._several = several
        self._plain = plain
        self._drives: set[str] = set()
        self._said: set[tuple[str, str]] = set()
        """Warnings and notes by kind and words without the names of drives: one cause is told once in a run."""

    def __call__(self, moment: Moment) -> tuple[Text, bool] | None:
        """The line, and whether it should ring."""
        line, rings = self._line(moment)
        if line is None:
            return None
        return join(Text(f"{self._wall():%H:%M:%S}  ", QUIET), line), rings

    def _line(self, moment: Moment) -> tuple[Text | None, bool]:
        match moment.kind:
            case MomentKind.PLANNED:
                self._drives |= {drive.drive for drive in moment.plan.drives} if moment.plan else set()
                # a moving screen shows this all the time
                return (plan_line(moment.plan) if self._plain and moment.plan else None), False
            case MomentKind.CARD_FREE:
                return (None if moment.of_copy else self._card_free(moment)), False
            case MomentKind.DRIVE_LOST:
                return self._drive_lost(moment), True
            case MomentKind.DRIVE_DONE:
                return self._drive_done(moment), False
            case MomentKind.FINDING:
                assert moment.finding is not None
                return self._finding(moment.finding), moment.finding.severity is Severity.ERROR
        return None, False

    def _finding(self, finding: Finding) -> Text | None:
        """The line; None for what was told of another drive or card already. Errors are always told."""
        cause = (finding.kind, without_names(finding.detail, self._drives | drive_names(finding)))
        if finding.severity is not Severity.ERROR and cause in self._said:
            return None
        self._said.add(cause)
        return finding_line(finding)

    def _card_free(self, moment: Moment) -> Text:
        which = join(" of roll ", safe(moment.roll)) if self._several else Text()
        if moment.read_again:
            again = Text.assemble("The card", which, " has to be read again before it is wiped", style=WARN)
            return join(again, ": keep it at hand. The last lines say how.")
        return join(
            Text.assemble("The card", which, " may be pulled.", style=GOOD),
            " Pulled is not wiped: do not format it yet.",
        )

    def _drive_lost(self, moment: Moment) -> Text:
        drive, roll = safe(moment.drive), safe(moment.roll)
        return join(Text("FAILED: ", BAD), "the drive ", drive, " with roll ", roll, ". The other drives go on.")

    def _drive_done(self, moment: Moment) -> Text:
        drive, roll = safe(moment.drive), safe(moment.roll)
        if moment.needed is not None:
            return join("The drive ", drive, " has roll ", roll, f" ({moment.state}). {_needed(moment)}.")
        style = GOOD if moment.state == "proven" else WARN
        return join(
            Text.assemble("The drive ", drive, " may be unplugged", style=style),
            ": roll ",
            roll,
            f" on it is {_state(moment.state)}.",
        )


def _needed(moment: Moment) -> str:
    assert moment.needed is not None
    if moment.needed is StillNeeded.MORE_ROLLS and not moment.of_copy:
        return "More cards follow: leave it plugged in"
    return _NEEDED[moment.needed]


def _state(state: str) -> str:
    return {"copied": "copied, not proven", "incomplete": "not complete"}.get(state, state)


def plan_line(plan: RollPlanned) -> Text:
    """`Roll A003 (name taken from the names of the clips): 23 clips (A003C001 to A003C023), 412 files, 512.0 GB on
    /media/A003 (XDROOT: Clip, Sub), to primary, backup and shuttle`."""
    drives = words.listed([safe(drive.drive).plain for drive in plan.drives])
    of_copy = " (a copy of a recorded roll)" if plan.of_copy else ""
    clips = words.counted(plan.clips, "clip") + (f" ({named})" if (named := first_to_last(plan).plain) else "")
    what = [clips, words.counted(plan.files, "file"), words.size(plan.size_bytes)]
    return join(
        "Roll ",
        safe(plan.roll),
        f" (name taken from {plan.roll_from})" if plan.roll_from else "",
        f": {', '.join(what)} on ",
        safe(plan.card),
        of_copy,
        f" ({safe(plan.layout).plain})" if plan.layout else "",
        ", to " + drives if drives else "",
    )


def first_to_last(plan: RollPlanned) -> Text:
    """`A003C001 to A003C023`: what a person can hold against the camera report. Empty without clips."""
    if not plan.first_clip or plan.first_clip == plan.last_clip:
        return safe(plan.first_clip)
    return join(safe(plan.first_clip), " to ", safe(plan.last_clip))


def finding_line(finding: Finding) -> Text:
    """One finding as one line: how bad, where, what."""
    word, style = _SEVERITY[finding.severity]
    return join(Text(word, style), " ", located(finding.drive, finding.path, finding.detail))
