"""The newest word on each file of a copy, from all its offload records side by side."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from rollproof.models.volumes import Evidence
from rollproof.records.models import OffloadHeader
from rollproof.records.read import iter_files
from rollproof.records.rows import FileRow
from rollproof.storage.io import Io

SOURCE_PASSES = 2
"""One bad read by a card reader would otherwise be copied faithfully."""
NOT_LIFTED = frozenset({"failed", "incomplete"})


@dataclass(slots=True)
class Offload:
    """One offload record and what later records made of it."""

    name: str
    header: OffloadHeader
    here: bool
    accepted: frozenset[Evidence]
    source_reads: list[Evidence]
    lifted_by: str = ""
    lifted_readback: Evidence | None = None

    @property
    def two_passes(self) -> bool:
        """Whether the card was read often enough; of a copy's copy its rows tell, by the records before it."""
        accepted = self.header.policy.accepted_source_evidence
        return self.header.of_copy or sum(read in accepted for read in self.source_reads) >= SOURCE_PASSES

    def proves(self, word: Word) -> bool:
        """Whether this row has its proof, as far as this record and those after it go."""
        row = word.row
        if not self.here or not self.two_passes or row.state in NOT_LIFTED or not word.is_the_cards:
            return False
        if self.lifted_by:
            return True
        return row.proven and (row.evidence or self.header.copy_.readback) in self.accepted


@dataclass(frozen=True, slots=True)
class Word:
    """The newest word on one file. `is_the_cards` is False only where a copy of a copy holds something that the
    records do not show to be what was read twice from the card."""

    entry: Offload
    row: FileRow
    is_the_cards: bool


def newest_words(io: Io, roll_folder: int, offloads: Sequence[Offload]) -> Iterator[Word]:
    """The rows of all offload records side by side, in byte order; of equal paths only the newest record's."""
    streams = [_numbered(iter_files(io, roll_folder, entry.name), index) for index, entry in enumerate(offloads)]
    merged = heapq.merge(*streams, key=lambda item: item[:2])
    for _, group in itertools.groupby(merged, key=lambda item: item[0]):
        rows = [(offloads[index], row) for _, index, row in group]
        entry, row = rows[-1]
        yield Word(entry, row, not entry.header.of_copy or _is_the_cards(rows))


def _is_the_cards(rows: Sequence[tuple[Offload, FileRow]]) -> bool:
    """Whether the last of these rows of one file, oldest first, holds what an offload of the card recorded of it."""
    known: dict[str, str] = {}
    on_card = False
    for entry, row in rows[:-1]:
        if not entry.header.of_copy:
            on_card = True
            known = dict(row.hashes) if entry.two_passes and row.state not in NOT_LIFTED else {}
        elif row.state not in NOT_LIFTED and _agree(known, row.hashes):
            known = {**row.hashes, **known}
    return not on_card or _agree(known, rows[-1][1].hashes)


def _agree(known: Mapping[str, str], hashes: Mapping[str, str]) -> bool:
    shared = known.keys() & hashes.keys()
    return bool(shared) and all(known[name] == hashes[name] for name in shared)


def _numbered(rows: Iterator[FileRow], index: int) -> Iterator[tuple[bytes, int, FileRow]]:
    for row in rows:
        yield row.path, index, row
