"""Which copies an audit that reads again still has to read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from rollproof.workflows.audit.copy import COUNTED, CopyLook
from rollproof.workflows.audit.reread import Rereader, to_read


def still_to_read(
    reader: Rereader, copies: Sequence[CopyLook], around: Sequence[CopyLook], since: datetime | None, *, anybody: bool
) -> list[CopyLook]:
    """The copies to read now; those that were read since then are noted as read, and counted."""
    chosen: list[CopyLook] = []
    for copy in copies:
        if copy.part_of is not None:
            continue  # it is read with the history around it
        if _was_read(copy, since, anybody=anybody) and id(copy) not in reader.against:
            copy.state, copy.reread_now = "reread", True
            reader.read.before += 1
        elif to_read(copy):
            chosen.append(copy)
    # after the rolls in them, whose manifests they refer to; these have grown by now
    for copy in around:
        lacking = any(id(part) in reader.against for part in copy.parts)
        if copy.files and not lacking and _was_read(copy, since, anybody=anybody):
            for each in (copy, *copy.parts):
                each.state, each.reread_now = "reread", True
            reader.read.before += 1
        elif not copy.place.lost:
            chosen.append(copy)
    return chosen


def _was_read(copy: CopyLook, since: datetime | None, *, anybody: bool) -> bool:
    """Whether a copy was read again by the stopped run of this audit: its newest word is a clean verify of every file,
    from this device, not older than its start, by this station (or by anybody, where a person gave the moment)."""
    if since is None or copy.read_at is None or copy.state not in COUNTED:
        return False
    return copy.read_at >= since.replace(microsecond=0) and (anybody or copy.is_ours)
