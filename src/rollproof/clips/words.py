"""A look into a clip as values for JSON, records and lists: durations, timecodes, frame rates as text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction

from rollproof.clips.check import ClipLook, ClipProblem
from rollproof.media.facts import FAILED_OVER, NOT_ASKED, NOT_INSTALLED, NOT_READABLE, NOT_WORKING, Facts
from rollproof.media.timecode import timecode
from rollproof.models.findings import LOOK_AT_ODD_CLIP, Finding, Kind, Severity, note
from rollproof.models.inspect_results import ClipOut, ProblemOut
from rollproof.models.names import inert, shown, to_text
from rollproof.models.tree import Snapshot

_TIMECODE = re.compile(r"(\d{2}):(\d{2}):(\d{2})([:;])(\d{2,3})")
_TELL = "tell the camera team now, and keep the card: what is on it may still be recovered"
_WORTH_A_WORD = frozenset((NOT_INSTALLED, NOT_WORKING, FAILED_OVER, NOT_ASKED, NOT_READABLE))
"""Reasons why facts are missing that somebody would otherwise wonder about."""

_MEND = "nothing that is proven needs them; to have them: pip install --upgrade --force-reinstall 'rollproof[media]'"
_LONGEST_SECONDS = 1_000_000


def duration_text(seconds: Fraction | None) -> str | None:
    """`hh:mm:ss.mmm`, rounded to the millisecond; None when it is not known or of no use."""
    if seconds is None or not 0 <= seconds < _LONGEST_SECONDS:
        return None
    milliseconds = round(seconds * 1000)
    whole, rest = divmod(milliseconds, 1000)
    return f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02}.{rest:03}"


def rate_text(rate: Fraction | None) -> str | None:
    """`25`, `23.976`, `29.97`; None when it is not known."""
    if rate is None or not 0 < rate < 100_000:
        return None
    return str(rate.numerator) if rate.denominator == 1 else f"{float(rate):.3f}".rstrip("0").rstrip(".")


def end_timecode(facts: Facts) -> str | None:
    """The timecode of the frame after the last one, as edit lists count; None when it cannot be told."""
    found = _TIMECODE.fullmatch(facts.start_timecode)
    rate, seconds = facts.frame_rate, facts.duration_seconds
    if found is None or rate is None or seconds is None or not 0 <= seconds < _LONGEST_SECONDS:
        return None
    nominal = -(-rate.numerator // rate.denominator)
    if not 1 <= nominal <= 240:
        return None
    hours, minutes, whole, frames = (int(found[group]) for group in (1, 2, 3, 5))
    drop = found[4] == ";"
    count = ((hours * 60 + minutes) * 60 + whole) * nominal + frames
    if drop:  # SMPTE ST 12-1, 5.2.3: numbers left out of every minute but each tenth
        passed = hours * 60 + minutes
        count -= nominal // 15 * (passed - passed // 10)
    return timecode(count + round(seconds * rate), rate, drop=drop) or None


def clip_out(look: ClipLook, snapshot: Snapshot, roll: str) -> ClipOut:
    """A clip as `inspect --json` and `clips` have it. Text is as read: make it inert before it reaches a screen."""
    clip, facts = look.clip, look.facts
    first = clip.essence[0] if clip.essence else clip.files[0]
    duration = facts.duration_seconds if duration_text(facts.duration_seconds) is not None else None
    return ClipOut(
        name=clip.name,
        roll=roll,
        path=to_text(snapshot.files[first].path),
        files=len(clip.files),
        essence_files=len(clip.essence),
        bytes=clip.size_bytes,
        kind=clip.kind,
        layout=clip.layout,
        set_aside=clip.set_aside,
        health="sound" if clip.health == "sound" else "damaged" if clip.health == "damaged" else "unknown",
        state=look.state,
        container=look.container,
        duration=duration_text(facts.duration_seconds),
        duration_seconds=round(float(duration), 3) if duration is not None else None,
        timecode=facts.start_timecode or None,
        end_timecode=end_timecode(facts),
        frame_rate=rate_text(facts.frame_rate),
        resolution=f"{facts.width}x{facts.height}" if facts.width and facts.height else None,
        codec=facts.codec or None,
        reel=facts.reel or None,
        scene=facts.scene or None,
        take=facts.take or None,
        channels=facts.channels,
        sample_rate=facts.sample_rate,
        problems=[
            ProblemOut(
                path=to_text(each.path),
                state=each.problem.state,
                detail=each.problem.detail,
                meaning=each.problem.meaning,
            )
            for each in look.problems
        ],
        note=look.note or facts.note,
    )


def health_findings(looks: Sequence[ClipLook]) -> list[Finding]:
    """What is wrong with clips, damaged ones first: which clip, what it means, what to do. Unknown ones are counted."""
    return [*_of_state(looks, "damaged"), *_of_state(looks, "odd"), *_unknown(looks), *_facts_missing(looks)]


def _of_state(looks: Iterable[ClipLook], state: str) -> Iterator[Finding]:
    for look in looks:
        if look.state != state:
            continue
        damaged = state == "damaged"
        found = [each for each in look.problems if each.problem.state == state]
        text = _problem(found[0], look) if found else "see what else was found"
        if len(found) > 1:
            text += f"; and {len(found) - 1:,} more"
        yield Finding(
            Kind.DAMAGED_CLIP if damaged else Kind.ODD_CLIP,
            Severity.ERROR if damaged else Severity.WARNING,
            inert(look.clip.name),
            f"{inert(look.clip.name)} is {'DAMAGED' if damaged else 'odd'}: {text}",
            remedy=_TELL if damaged else LOOK_AT_ODD_CLIP,
        )


def _problem(each: ClipProblem, look: ClipLook) -> str:
    # of a clip in one file the clip's name says which; a sidecar is named
    one = len(look.clip.essence) == 1 and not each.path.lower().endswith(b".xml")
    where = "" if one or not each.path else f"{shown(each.path.rpartition(b'/')[2])}: "
    return f"{where}{inert(each.problem.meaning)} ({inert(each.problem.detail)})"


def _unknown(looks: Sequence[ClipLook]) -> Iterator[Finding]:
    reasons: dict[str, list[ClipLook]] = {}
    for look in looks:
        if look.state == "unknown":
            reasons.setdefault(look.note, []).append(look)
    for reason, same in reasons.items():
        name = inert(same[0].clip.name)
        yield note(
            Kind.CLIP_NOT_CHECKED,
            f"whether {_which(same, name)} whole is not known: {inert(reason) or 'it could not be told'}",
            path=name,
            count=len(same),
        )


def _facts_missing(looks: Sequence[ClipLook]) -> Iterator[Finding]:
    reasons: dict[str, list[ClipLook]] = {}
    for look in looks:
        if look.facts.note in _WORTH_A_WORD:
            reasons.setdefault(look.facts.note, []).append(look)
    for reason, same in reasons.items():
        name = inert(same[0].clip.name)
        which = name if len(same) == 1 else f"{name} and {len(same) - 1:,} more"
        yield note(
            Kind.CLIP_FACTS_MISSING,
            reason if reason == NOT_INSTALLED else f"{reason} ({which})",
            remedy=_MEND if reason == NOT_WORKING else "",
            count=len(same),
        )


def _which(same: Sequence[ClipLook], name: str) -> str:
    return f"{name} is" if len(same) == 1 else f"{name} and {len(same) - 1:,} more are"
