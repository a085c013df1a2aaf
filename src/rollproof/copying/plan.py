"""The plan: for each drive and file, copy it, hash what is there, trust a record, or copy afresh beside a suspect."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

from rollproof.models.file_table import find_file
from rollproof.models.findings import Finding, Kind, error
from rollproof.models.names import PARTIAL_SUFFIX, collision_key, shown
from rollproof.models.texts import TextsByNumber
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Limits

_DAY_NS = 86_400 * 1_000_000_000


class Action(IntEnum):
    """What is to be done with one file on one drive."""

    COPY = 1
    HASH = 2
    """It stands there with the right size and time: size is no evidence, so it is hashed on both sides."""
    COVERED = 3
    """A flushed record of this device proves it."""
    REPLACE = 4
    """An earlier run found it suspect: copy afresh beside it; the suspect goes only once the new copy is proven."""


@dataclass(frozen=True, slots=True)
class DrivePlan:
    """One `Action` for each file of the snapshot, and what speaks against starting."""

    actions: bytes
    findings: tuple[Finding, ...]
    expected: Mapping[int, str]
    """Recorded hash of the proof algorithm, for COVERED files, by file number."""

    def numbers(self, *wanted: Action) -> list[int]:
        """Numbers of the files with one of these actions."""
        return [number for number, action in enumerate(self.actions) if action in wanted]


def plan_drive(
    card: Snapshot,
    there: Snapshot | None,
    limits: Limits,
    *,
    drive: str,
    covered: Mapping[bytes, tuple[int, int, str]],
    suspects: Collection[bytes],
) -> DrivePlan:
    """Compare the card with what stands in the roll folder (None: no such folder).

    `covered` maps a path to size, modification time and hash that a record of this very device proves; `suspects`
    are paths an earlier run distrusts. A file of another size or time, and a file the card does not have, is
    different content: an error, nothing of it will be touched.
    """
    if there is None:
        return DrivePlan(bytes([Action.COPY]) * len(card.files), (), {})
    folds = limits.folds_case or limits.folds_unicode
    # by place in the list; a file system that folds names has them looked up folded
    folded = {collision_key(entry.path): place for place, entry in enumerate(there.files)} if folds else None
    is_the_cards = bytearray(len(there.files))
    actions = bytearray()
    expected = TextsByNumber(len(card.files))
    conflicts: list[bytes] = []
    for number, entry in enumerate(card.files):
        place = find_file(there.files, entry.path) if folded is None else folded.get(collision_key(entry.path))
        existing = None
        if place is not None and not is_the_cards[place]:
            is_the_cards[place] = 1
            existing = there.files[place]
        action = Action.COPY
        if existing is not None:
            same = existing.size == entry.size and same_time(existing.modified_ns, entry.modified_ns, limits)
            record = covered.get(entry.path)
            if entry.path in suspects:
                action = Action.REPLACE
            elif not same:
                conflicts.append(entry.path)
            elif record is not None and record[0] == entry.size and record[1] == entry.modified_ns:
                action = Action.COVERED
                expected.set(number, record[2])
            else:
                action = Action.HASH
        actions.append(action)
    strangers = [
        entry.path
        for place, entry in enumerate(there.files)
        if not is_the_cards[place] and not entry.path.endswith(PARTIAL_SUFFIX)
    ]
    findings = _different(drive, conflicts, "differ in size or date from the card's", "differs in size or date")
    findings += _different(drive, strangers, "are not on the card", "is not on the card")
    return DrivePlan(bytes(actions), tuple(findings), expected)


def same_time(one: int, other: int, limits: Limits) -> bool:
    """Whether two modification times (nanoseconds) are one to a file system with these limits: within its granularity,
    or both before the first that it can hold (which is local time on some: a day is allowed for)."""
    if limits.earliest_ns is not None:
        first = limits.earliest_ns + _DAY_NS
        one, other = max(one, first), max(other, first)
    return abs(one - other) < max(limits.timestamp_ns, 1)


def _different(drive: str, paths: Sequence[bytes], many: str, one: str) -> list[Finding]:
    if not paths:
        return []
    first = shown(paths[0])
    detail = (
        f"the roll folder on the drive already holds {first}, which {one}"
        if len(paths) == 1
        else f"the roll folder on the drive already holds {len(paths):,} files that {many}, the first is {first}"
    )
    return [
        error(
            Kind.DIFFERENT_CONTENT,
            detail,
            path=first,
            drive=drive,
            remedy="another roll may carry this name: check it, and give this one its own with --roll NAME",
            count=len(paths),
        )
    ]
