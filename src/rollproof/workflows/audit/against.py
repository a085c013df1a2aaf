"""Copies of one roll whose papers have no hash in common: nobody has ever compared the one with the other.

A tool that knows MD5 only has copied the card, and this one has recorded xxHash: each copy may be as its own history
says, and they may still hold different bytes. Such a copy does not count beside the others. Reading it again can
compute the hash that the others have, from the same read.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from rollproof.copies.recorded import side_by_side
from rollproof.hashing import ALGORITHMS, proof_algorithm, raw_of
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Kind, error, warning
from rollproof.models.names import inert, shown
from rollproof.models.reads import Reads
from rollproof.models.tree import FileEntry
from rollproof.storage.io import Io
from rollproof.workflows.audit.copy import COUNTED, CopyLook, Told
from rollproof.workflows.audit.listed import copy_files
from rollproof.workflows.audit.rolls import Roll


@dataclass(slots=True)
class Against:
    """What one copy is to be compared with while it is read: `other`, by `algorithm`. `start` is where its files lie,
    from the folder that is read."""

    copy: CopyLook
    other: CopyLook
    algorithm: str
    start: bytes = b""
    compared: int = 0
    differ: list[bytes] = field(default_factory=list)

    def take(self, io: Io, prefix: bytes, reads: Reads) -> None:
        """Compare what was read in the folder `prefix` of the copy. Where the other copy's papers cannot be read, the
        two stay uncompared; what is wrong there is that copy's own finding."""
        with contextlib.suppress(UntrustedInput, OSError):
            self._take(io, prefix, reads)

    def _take(self, io: Io, prefix: bytes, reads: Reads) -> None:
        pairs = self._pairs(prefix, reads)
        pair = next(pairs, None)
        with copy_files(io, self.other) as files:
            for wanted in files:
                while pair is not None and pair[0] < wanted.path:
                    pair = next(pairs, None)
                if pair is None:
                    return
                text = wanted.hashes.get(self.algorithm)
                if pair[0] == wanted.path and text is not None:
                    self.compared += 1
                    if raw_of(self.algorithm, text) != raw_of(self.algorithm, pair[1]):
                        self.differ.append(wanted.path)

    def _pairs(self, prefix: bytes, reads: Reads) -> Iterator[tuple[bytes, str]]:
        entry: FileEntry
        for entry, texts in reads:
            path = prefix + entry.path
            if path.startswith(self.start) and self.algorithm in texts:
                yield path[len(self.start) :], texts[self.algorithm]

    def settle(self, *, is_written_down: bool) -> None:
        """Put into the copy what came of it. A hash that was appended to its history is compared with all the others
        later, and tells of differences there."""
        copy = self.copy
        if not self.differ:
            if self.compared >= copy.files:
                copy.shared_now.add(self.algorithm)
            return
        copy.shared_now.add(self.algorithm)  # (they were compared, and that is what it came to)
        if copy.state in COUNTED:
            copy.state, copy.why = "copied", f"it does not hold what the copy on {self.other.place.name} holds"
        if is_written_down:
            return
        more = f" (and {len(self.differ) - 1:,} more like it)" if len(self.differ) > 1 else ""
        detail = (
            f"roll {inert(copy.roll)}: {shown(self.differ[0])} on {copy.place.name} is not what the copy on"
            f" {self.other.place.name} holds{more}"
        )
        remedy = "change nothing on either drive; compare both with the card or with a third copy"
        finding = error(
            Kind.COPIES_DISAGREE,
            detail,
            path=shown(self.differ[0]),
            drive=shown(copy.path),
            remedy=remedy,
            count=len(self.differ),
        )
        copy.told.append(Told("agreement", finding, copy.roll))


def to_compare(io: Io, rolls: Sequence[Roll]) -> dict[int, Against]:
    """What the copies of these rolls lack of each other's hashes, by the identity of the copy."""
    out: dict[int, Against] = {}
    for roll in rolls:
        copies = [copy for copy in roll.copies if copy.has_content and copy.files]
        if len(copies) < 2 or _have_one(copies):
            continue
        first = min(copies, key=lambda copy: (not copy.was_a_card, not copy.has_records, bool(copy.lists)))
        for copy in copies:
            names = [name for name in first.digests if name in ALGORITHMS]
            if copy is not first and names and not _comparable(io, first, copy):
                start = copy.path[len(copy.part_of.path) + 1 :] + b"/" if copy.part_of is not None else b""
                out[id(copy)] = Against(copy, first, proof_algorithm(names), start)
    return out


def set_apart(io: Io, roll: Roll) -> Told | None:
    """Take the copies out of the count that share no hash with those that count most; None where all do."""
    copies = [copy for copy in roll.copies if copy.state in COUNTED]
    if len(copies) < 2 or _have_one(copies):
        return None
    groups: list[list[CopyLook]] = []
    for copy in copies:
        near = next((group for group in groups if any(_comparable(io, other, copy) for other in group)), None)
        if near is None:
            groups.append([copy])
        else:
            near.append(copy)
    if len(groups) < 2:
        return None
    groups.sort(key=lambda group: (-len({copy.place.device for copy in group}), not any(c.was_a_card for c in group)))
    for group in groups[1:]:
        for copy in group:
            copy.apart = True
    here, there = (" and ".join(sorted({copy.place.name for copy in group})) for group in groups[:2])
    detail = (
        f"the copies of roll {inert(roll.name)} on {here} and on {there} have no hash in common: each is as its own"
        " history says, and nobody has compared the one with the other"
    )
    remedy = "audit again with --reread: that reads them by one hash, and then they count together"
    return Told("agreement", warning(Kind.NOT_COMPARED, detail, remedy=remedy), roll.name)


def _names(copy: CopyLook) -> set[str]:
    return {*copy.digests, *copy.shared_now}


def _have_one(copies: Sequence[CopyLook]) -> bool:
    """Whether every file of all of them has one hash in common: nearly always."""
    return bool(set.intersection(*(_names(copy) for copy in copies)))


def _comparable(io: Io, one: CopyLook, other: CopyLook) -> bool:
    """Whether each file that both know has a hash in both. OSError when a drive fails."""
    if _names(one) & _names(other):
        return True
    with copy_files(io, one) as first, copy_files(io, other) as second:
        for _, there in side_by_side([first, second]):
            if len(there) == 2 and there[0].hashes.keys().isdisjoint(there[1].hashes):
                return False
    return True
