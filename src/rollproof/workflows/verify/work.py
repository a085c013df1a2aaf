"""One copy that is being verified: its papers, what was read, and what was found so far."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

from rollproof.copies.history import Expectation
from rollproof.models.file_table import find_file
from rollproof.models.findings import Finding
from rollproof.models.names import shown
from rollproof.models.reads import Reads
from rollproof.models.tree import Snapshot
from rollproof.models.volumes import Evidence, Volume
from rollproof.proof.copy_findings import speaks_of_content
from rollproof.proof.evidence import weakest
from rollproof.proof.policy import ACCEPTED_EVIDENCE
from rollproof.records.blocks import same_device
from rollproof.records.models import OffloadHeader
from rollproof.tree.ignore import IgnoreRules


@dataclass(slots=True)
class Work:
    """What was found of one copy so far. Lists hold exact paths."""

    path: bytes
    drive: str
    handle: int
    volume: Volume
    papers: Expectation
    there: Snapshot
    read: Reads
    rules: IgnoreRules
    was_away: bool = False
    """Whether the medium was away since everything on it was written: then no cache holds what was written."""
    inner: tuple[bytes, ...] = ()
    """Folders in it with a history of their own."""
    findings: list[Finding] = field(default_factory=list)
    evidences: set[Evidence] = field(default_factory=set)
    differ: list[bytes] = field(default_factory=list)
    missing: list[bytes] = field(default_factory=list)
    unknown: list[bytes] = field(default_factory=list)
    appended: list[str] = field(default_factory=list)

    @property
    def files(self) -> int:
        """How many files were read or looked for."""
        wanted = self.papers.files
        strangers = sum(
            number in self.read and entry.path not in wanted for number, entry in enumerate(self.there.files)
        )
        return len(wanted) + strangers

    @property
    def clean(self) -> bool:
        """Whether every recorded file is there as recorded and nothing else speaks against the copy."""
        return not self.differ and not self.missing and not any(map(speaks_of_content, self.findings))

    @property
    def is_whole(self) -> bool:
        """Whether every recorded file was read to its end."""
        files = self.there.files
        return all((number := find_file(files, path)) is not None and number in self.read for path in self.papers.files)

    @property
    def readback(self) -> Evidence | None:
        """The weakest evidence of all reads; None when nothing was read."""
        return weakest(sorted(self.evidences))

    @property
    def is_from_medium(self) -> bool:
        """Whether the reads count for a proof."""
        return self.readback in ACCEPTED_EVIDENCE

    @property
    def roll(self) -> str:
        """The roll's name by its newest offload record, else by its folder."""
        newest = self.papers.newest
        if newest is not None and newest.roll:
            return newest.roll
        return shown(os.path.basename(os.path.realpath(self.path)))


def was_away(papers: Expectation, now: Volume) -> bool:
    """By another boot id or another disk sequence number than every offload to this copy recorded; never by a clock.
    What is not known shows nothing."""
    if now.device.kind not in ("disk", "loop"):
        return False
    offloads = [link.header for link in papers.chain.links if isinstance(link.header, OffloadHeader)]
    return bool(offloads) and all(
        same_device(header.copy_, now)
        and (
            _both_differ(header.copy_.boot_id, now.boot_id)
            or (not now.device.cached_beneath and _both_differ(header.copy_.disk_sequence, now.device.disk_sequence))
        )
        for header in offloads
    )


def _both_differ(then: object, now: object) -> bool:
    return then is not None and now is not None and then != now
