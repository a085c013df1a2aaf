"""What a copy ought to hold, by its records and its manifests together."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field

from rollproof.ascmhl.model import History
from rollproof.ascmhl.read import read_history
from rollproof.copies.beside_records import history_findings
from rollproof.copies.strangers import noted_strangers
from rollproof.models.errors import UntrustedInput
from rollproof.models.findings import Finding, Kind, Severity, error, warning
from rollproof.models.ignore_patterns import pattern_problem
from rollproof.models.names import shown
from rollproof.models.reads import Shape, packed, unpacked
from rollproof.models.volumes import Volume
from rollproof.proof.policy import Rules
from rollproof.records.chain import Chain, read_chain
from rollproof.records.models import OffloadHeader
from rollproof.records.row_table import RowTable
from rollproof.records.standing import Standing, accepted_today, standing
from rollproof.storage.io import Io
from rollproof.tree.ignore import MAX_PATTERNS, IgnoreRules


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


class WantedFiles(Mapping[bytes, Wanted]):
    """What ought to be there, by path: the records' rows close together, and beside them what else the manifests say.
    In byte order of the paths where the records know all of them."""

    def __init__(self, rows: RowTable) -> None:
        self._rows = rows
        self._beside: dict[bytes, Wanted] = {}
        self._strangers = 0

    def put(self, path: bytes, wanted: Wanted) -> None:
        """This is what ought to be there, from now on."""
        self._strangers += path not in self
        self._beside[path] = wanted

    def __getitem__(self, path: bytes) -> Wanted:
        if path in self._beside:
            return self._beside[path]
        row = self._rows[path]
        return Wanted.of(row.size, row.modified_ns, row.hashes)

    def __contains__(self, path: object) -> bool:
        return path in self._beside or path in self._rows

    def __iter__(self) -> Iterator[bytes]:
        yield from self._rows
        yield from (path for path in self._beside if path not in self._rows)

    def __len__(self) -> int:
        return len(self._rows) + self._strangers


@dataclass(slots=True)
class Expectation:
    """Everything a copy's own papers say of it. The record is believed where it and the manifest disagree."""

    files: Mapping[bytes, Wanted]
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


def read_expectation(
    io: Io,
    roll_folder: int,
    volume: Volume,
    drive: str,
    *,
    folder: bytes | None = None,
    rules: Rules | None = None,
) -> Expectation:
    """Read records and manifests below an open roll folder; `folder` is where it lies on its volume, for whoever asks
    how the copy stands, and `rules` are those of today. OSError when the drive fails."""
    chain = read_chain(io, roll_folder, drive=drive)
    history = read_history(io, roll_folder)
    accepted = accepted_today(chain, rules) if rules is not None else None
    found = standing(io, roll_folder, chain, volume, accepted=accepted, folder=folder)
    findings = [finding for finding in chain.findings if finding.kind is not Kind.NO_HISTORY]
    findings += history_findings(history, chain)
    rows = RowTable()
    try:
        rows = RowTable(row for row in found.iter_files() if row.hashes)
    except UntrustedInput as problem:
        findings.append(
            error(
                Kind.BAD_RECORD,
                f"a record cannot be read through: {problem.message}",
                drive=drive,
                remedy="look for the same record on another drive with this roll; the copy cannot be called proven",
            )
        )
    files = WantedFiles(rows)
    expectation = Expectation(files, chain, history, found, findings)
    _merge_history(expectation, files, drive, noted_strangers(io, roll_folder, chain))
    return expectation


def _merge_history(expectation: Expectation, files: WantedFiles, drive: str, strangers: Collection[bytes]) -> None:
    disagree: list[bytes] = []
    has_records = bool(files)
    for path, expected in expectation.history.expected.items():
        hashes = expected.hashes
        wanted = files.get(path)
        if wanted is None:
            if path not in strangers:
                files.put(path, Wanted.of(expected.size, None, hashes))
            continue
        recorded = wanted.hashes
        if any(hashes[name] != recorded[name] for name in hashes.keys() & recorded.keys()):
            disagree.append(path)
        elif hashes.keys() - recorded.keys():
            files.put(path, wanted.with_more(hashes))
    if disagree and has_records:
        first = shown(disagree[0])
        more = f" and {len(disagree) - 1:,} more" if len(disagree) > 1 else ""
        expectation.findings.append(
            error(
                Kind.RECORD_AND_MANIFEST_DISAGREE,
                f"record and manifest give different hashes for {first}{more}; the record is believed",
                path=first,
                drive=drive,
                remedy="one of them was changed: compare with the other drives with this roll, and find out by whom",
                count=len(disagree),
            )
        )


def copy_rules(papers: Expectation, drive: str) -> tuple[IgnoreRules, list[Finding]]:
    """What the walk leaves out, by the papers' own patterns. A pattern never hides what the papers themselves record:
    such a one is not followed, and said."""
    own = [pattern for pattern in dict.fromkeys(papers.ignore_patterns()) if pattern_problem(pattern) is None]
    detail = ""
    if len(own) > MAX_PATTERNS:
        detail = f"the history lists {len(own):,} ignore patterns, more than {MAX_PATTERNS}: none was followed"
    else:
        rules = IgnoreRules(own, of_copy=True)
        without = IgnoreRules(of_copy=True)
        if not rules.own or not any(
            rules.matches(path, False) and not without.matches(path, False) for path in papers.files
        ):
            return rules, []
        detail = "an ignore pattern in the history would hide files that it records: none was followed"
    finding = warning(
        Kind.IGNORED,
        detail,
        drive=drive,
        remedy="find out who wrote that pattern, and compare with another drive with this roll",
    )
    return IgnoreRules(of_copy=True), [finding]


def speaks_against(finding: Finding) -> bool:
    """Unfinished files are told by the marker's own finding; what was odd on the card already is in the record."""
    return finding.severity is Severity.ERROR and finding.kind not in (Kind.NOT_FINISHED, Kind.CARD_IS_A_COPY)


def unfinished_finding(drive: str) -> Finding:
    """The marker stands: whatever lies there, its offload did not come to its end."""
    return error(
        Kind.NOT_FINISHED,
        "the offload of this roll was not finished on this drive",
        drive=drive,
        remedy="keep the card and run its offload again",
    )
