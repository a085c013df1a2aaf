"""What a reading of a copy does to its proof, and what a reading that left no good word means for it while it is away.

A reading is remembered before its first byte, and what it finds wrong the moment it is known; so it leaves its mark
however it ends: by itself, by an error, by Ctrl-C, or killed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from rollproof.models.findings import Kind
from rollproof.models.volumes import Evidence

ADDING = "offload of new files"
"""The command of a reading that goes on with a copy without reading again what its records prove."""
_NO_NEWS = frozenset((Kind.DRIVE_FULL, Kind.LOCKED, Kind.DRIVE_MISSING, Kind.NAME_NOT_HELD, Kind.FILE_TOO_LARGE))
"""Ends of the work on a drive that say nothing of the copy that lies there."""


class Effect(StrEnum):
    """What a reading does to what was known of the copy before."""

    WITHDRAWS = "withdraws"
    """Something was not as recorded, or could not be read: no proof stands until a full clean reading."""
    SETTLES = "settles"
    """Everything was read from the medium and is as recorded: what earlier readings left is put behind the copy."""
    NOTHING = "nothing"
    """What was read agrees, and it was not everything, or cannot be shown to come from the drive."""
    UNFINISHED = "unfinished"
    """It was begun and not read to its end: nobody knows what the rest would have shown."""


@dataclass(frozen=True, slots=True)
class ReadingFacts:
    """How one reading went. `evidence` is the weakest of all its reads (None: nothing was read); `everything` is
    whether every recorded file was read."""

    finished: bool
    bad: bool
    everything: bool
    evidence: Evidence | None


def effect_of(reading: ReadingFacts, accepted: Collection[Evidence]) -> Effect:
    """What differs withdraws, whatever its evidence; what agrees settles only as a whole and from the medium."""
    if reading.bad:
        return Effect.WITHDRAWS
    if not reading.finished:
        return Effect.UNFINISHED
    if reading.everything and reading.evidence in accepted:
        return Effect.SETTLES
    return Effect.NOTHING


def trouble_is_an_error(effect: Effect, *, was_begun: bool) -> bool:
    """Whether it matters that the station's memory could not be written at the end of a reading.

    Bad news would be forgotten. And a reading whose beginning nobody remembers would have left no trace when killed.
    Of a good one that was begun nothing is lost: it stays noted as not finished. Where there is no memory at all, no
    copy counts by it (`was_begun` is True then).
    """
    return effect is Effect.WITHDRAWS or not was_begun


@dataclass(frozen=True, slots=True)
class Unsettled:
    """A reading that no later one has put behind the copy. `why` is its bad news, empty where it was only begun;
    `newest_record` is the SHA-256 of the newest word in the copy's records when it began, empty where none was seen."""

    began_at: datetime
    command: str
    why: str
    newest_record: str


def withdrawn_by(readings: Iterable[Unsettled], newest_record: str) -> str:
    """The bad news that stands against a copy whose newest recorded word is this one; empty when there is none.

    A newer word than those that the reading saw answers it: it is judged by itself.
    """
    return next((each.why for each in readings if each.why and each.newest_record in ("", newest_record)), "")


def against_absent(readings: Iterable[Unsettled]) -> str:
    """Why a copy that is away does not count after these readings; empty when they say nothing against it."""
    left = sorted(readings, key=lambda each: (not each.why, each.began_at))
    if not left:
        return ""
    first = left[0]
    if first.why:
        return f"this station last found: {first.why}"
    when = first.began_at.astimezone().isoformat(sep=" ", timespec="minutes")[:16]
    return f"a reading of it ({first.command}, begun {when}) was not finished"


def has_something_to_lose(*, is_touched: bool, is_recorded: bool, is_known: bool) -> bool:
    """Whether what an offload finds on a drive has to be remembered while it runs. `is_touched`: something is read or
    written there; `is_recorded`: records of a copy lie there; `is_known`: this station knows a copy at that place.

    A copy that is only being made counts for nothing until its record is down: nothing of it can be forgotten.
    """
    return is_touched and (is_recorded or is_known)


def must_be_read_anew(readings: Iterable[Unsettled]) -> bool:
    """Whether an offload reads everything that its records prove: bad news stands, or a reading was not finished."""
    return any(each.why or each.command != ADDING for each in readings)


def speaks_against_a_copy(kind: Kind) -> bool:
    """Whether work on a drive that ended with a finding of this kind is bad news about the copy there."""
    return kind not in _NO_NEWS


def speaks_against_memory(state: str, readings: Iterable[Unsettled]) -> str:
    """Why a copy that is known from memory alone is worth less than the remembered `state`; empty when it is not. One
    of which nothing good is remembered has its own reason."""
    why = against_absent(readings) if state in ("proven", "copied") else ""
    return f"{why}: not counted" if why else ""


class Agreement(StrEnum):
    """What reading files again and comparing them with their hashes shows."""

    HOLDS = "holds"
    DIFFERS = "differs"
    UNREAD = "unread"
    NOT_SHOWN = "not shown"
    """Everything agrees, and a cache may have answered: it shows nothing, and takes nothing back either."""


def agreement(
    *, differs: bool, unread: bool, evidences: Collection[Evidence], accepted: Collection[Evidence]
) -> Agreement:
    """What differs is the worst, whatever its evidence; then what could not be read; then what is not shown."""
    if differs:
        return Agreement.DIFFERS
    if unread:
        return Agreement.UNREAD
    if any(evidence not in accepted for evidence in evidences):
        return Agreement.NOT_SHOWN
    return Agreement.HOLDS
