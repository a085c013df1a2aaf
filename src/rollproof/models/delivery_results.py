"""What `checksums`, `verify --against`, `packing-list` and the check of a packing list give back: the JSON contract."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ChecksumRoll(_Result):
    """One roll in a checksum file: lines from recorded hashes, lines from files read now, files without a line."""

    roll: str
    path: str
    recorded: int
    read: int
    left_out: int
    bytes: int


class ChecksumsResult(_Result):
    """Everything a `checksums` has to say. `out` is null when there was no line to write.

    `folder` is where a stock tool must be run, `check` the command that checks the file there.
    """

    verdict: Literal["complete", "not complete"]
    out: str | None
    algorithm: str
    lines: int
    folder: str
    check: str
    rolls: list[ChecksumRoll]
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class AgainstResult(_Result):
    """Everything a `verify --against` has to say. Lists hold paths as text; nothing is appended anywhere.

    `not_compared` were named in the file but could not be read, or by no hash that is known here.
    """

    verdict: Literal["matches", "does not match"]
    path: str
    against: str
    algorithms: list[str]
    files: int
    bytes: int
    readback: Literal["medium", "server", "cache"] | None
    differ: list[str]
    missing: list[str]
    unknown: list[str]
    not_compared: list[str]
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class PackedRoll(_Result):
    """One roll of a packing list. `manifest` is the file name of its flattened history, null when it was left out."""

    roll: str
    paths: list[str]
    production: str | None
    files: int
    bytes: int
    manifest: str | None


class PackingListResult(_Result):
    """Everything a `packing-list` has to say. `out` is the folder; null when nothing was written."""

    verdict: Literal["complete", "not complete"]
    out: str | None
    collection: str | None
    rolls: list[PackedRoll]
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class PackedCompared(_Result):
    """One list of a packing list and what arrived. `path` is the roll folder on the drive, null where there is none."""

    manifest: str
    roll: str
    path: str | None
    files: int
    state: Literal["same", "differs", "missing"]
    differ: int
    missing: int
    added: int


class PackingCheck(_Result):
    """How an arrival compares with its packing list. `folder` is where the list lies."""

    folder: str
    same: bool
    lists: list[PackedCompared]
    added: list[str]
    """Rolls on the drive that are in no list."""


class ReportResult(_Result):
    """Everything a `report` has to say about itself. `files` are paths by kind (`html`, `pdf`, `rolls_csv`,
    `clips_csv`, `json`); a kind that could not be written is not among them, and a finding says why."""

    verdict: Literal["all proven", "not all proven"]
    title: str
    folder: str
    files: dict[str, str]
    rolls: int
    lacking: list[str]
    open_findings: list[str] = []
    """What was odd on the cards and nobody has accepted, by name."""
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")
