"""What a copy ought to hold, by its records and its manifests together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from rollproof.ascmhl.model import History
from rollproof.ascmhl.read import read_history
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import shown
from rollproof.models.volumes import Volume
from rollproof.records.chain import Chain, read_chain
from rollproof.records.models import OffloadHeader
from rollproof.records.standing import Standing, standing
from rollproof.storage.io import Io
from rollproof.workflows.verify_reads import Shape, packed, unpacked


@dataclass(slots=True)
class Wanted:
    """One file that ought to be there. `size` is None where only a manifest without sizes speaks of it."""

    size: int | None
    modified_ns: int | None
    _shape: Shape
    _texts: bytes

    @classmethod
    def of(cls, size: int | None, modified_ns: int | None, hashes: Mapping[str, str]) -> Wanted:
        """With these hashes, by algorithm."""
        return cls(size, modified_ns, *packed(hashes))

    @property
    def hashes(self) -> dict[str, str]:
        """What it must hash to, by algorithm; made anew each time."""
        return unpacked(self._shape, self._texts)

    def with_more(self, hashes: Mapping[str, str]) -> Wanted:
        """The same with further hashes; those it has stay."""
        return Wanted.of(self.size, self.modified_ns, {**hashes, **self.hashes})


@dataclass(slots=True)
class Expectation:
    """Everything a copy's own papers say of it. The record is believed where it and the manifest disagree."""

    files: dict[bytes, Wanted]
    chain: Chain
    history: History
    standing: Standing
    findings: list[Finding] = field(default_factory=list)

    @property
    def newest(self) -> OffloadHeader | None:
        """The newest offload record, if any."""
        return self.standing.newest_offload

    @property
    def has_papers(self) -> bool:
        """Whether there is anything to compare with."""
        return bool(self.files) or self.history.present or bool(self.chain.links)

    def ignore_patterns(self) -> Iterator[str]:
        """Patterns that the papers say were left out."""
        if self.newest is not None:
            yield from self.newest.ignore
        yield from self.history.ignore_patterns


def read_expectation(io: Io, roll_folder: int, volume: Volume, drive: str) -> Expectation:
    """Read records and manifests below an open roll folder. OSError when the drive fails."""
    chain = read_chain(io, roll_folder, drive=drive)
    history = read_history(io, roll_folder)
    found = standing(io, roll_folder, chain, volume)
    findings = [finding for finding in chain.findings if finding.kind is not Kind.NO_HISTORY]
    findings += history.findings
    files: dict[bytes, Wanted] = {}
    try:
        for row in found.iter_files():
            if row.hashes:
                files[row.path] = Wanted.of(row.size, row.modified_ns, row.hashes)
    except UntrustedInput as problem:
        findings.append(
            Finding(
                Kind.BAD_RECORD,
                Severity.ERROR,
                "",
                f"a record cannot be read through: {problem.message}",
                drive=drive,
                remedy="look for the same record on a sibling drive; the copy cannot be called proven",
            )
        )
    expectation = Expectation(files, chain, history, found, findings)
    _merge_history(expectation, drive)
    return expectation


def _merge_history(expectation: Expectation, drive: str) -> None:
    disagree: list[bytes] = []
    has_records = bool(expectation.files)
    for path, expected in expectation.history.expected.items():
        hashes = expected.hashes
        wanted = expectation.files.get(path)
        if wanted is None:
            expectation.files[path] = Wanted.of(expected.size, None, hashes)
            continue
        recorded = wanted.hashes
        if any(hashes[name] != recorded[name] for name in hashes.keys() & recorded.keys()):
            disagree.append(path)
        elif hashes.keys() - recorded.keys():
            expectation.files[path] = wanted.with_more(hashes)
    if disagree and has_records:
        first = shown(disagree[0])
        more = f" and {len(disagree) - 1:,} more" if len(disagree) > 1 else ""
        expectation.findings.append(
            Finding(
                Kind.RECORD_AND_MANIFEST_DISAGREE,
                Severity.ERROR,
                first,
                f"record and manifest give different hashes for {first}{more}; the record is believed",
                drive=drive,
                count=len(disagree),
                remedy="one of them was changed: compare with the sibling drives, and find out by whom",
            )
        )
