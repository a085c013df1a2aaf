"""What the workflows give back: the JSON contract of `--json` as models."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding

CopyState = Literal["proven", "copied", "failed", "incomplete"]


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class DestinationResult(_Result):
    """One drive at the end of an offload. `path` is the roll folder."""

    path: str
    drive: str
    role: str
    state: CopyState
    files_proven: int
    files_copied: int
    files_total: int
    readback: Literal["medium", "server", "cache"] | None
    findings: list[Finding]
    device: str = ""
    record: str | None = None


class CardAnswer(_Result):
    """The card's answer, as `may-wipe` gives it."""

    answer: Literal["MAY WIPE", "KEEP"]
    reasons: list[str]


class RollResult(_Result):
    """One card at the end of an offload. `source_kind` is `copy` where not the card but a recorded copy of its roll was
    copied on: `card_path` is then the roll folder of that copy, and there is no answer for a card."""

    roll: str
    source_kind: Literal["card", "copy"] = "card"
    card_path: str
    verdict: Literal["proven", "not proven", "refused", "planned"]
    enough_copies: bool
    copies_required: int
    copies_counted: int
    card: CardAnswer | None = None
    files: int
    bytes: int
    clips: int
    source_reads: int
    source_evidence: list[Literal["medium", "server", "cache"]]
    destinations: list[DestinationResult]
    findings: list[Finding]
    seconds: dict[str, float]
    interrupted: bool = False
    status: ExitStatus = Field(exclude=True)


class OffloadResult(_Result):
    """Everything an `offload` has to say. `verdict` is over all cards. `not_begun` counts the rolls of recorded copies
    that an early end kept from being begun."""

    verdict: Literal["proven", "not proven", "refused", "planned"]
    rolls: list[RollResult]
    findings: list[Finding] = []
    not_begun: int = 0
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class VerifiedCopy(_Result):
    """One copy read again. The lists hold paths as text."""

    path: str
    roll: str
    verdict: Literal["proven", "not proven"]
    files: int
    bytes: int
    readback: Literal["medium", "server", "cache"] | None
    differ: list[str]
    missing: list[str]
    unknown: list[str]
    appended: list[str] = []
    """What was appended: file names of the record and the manifest."""
    findings: list[Finding] = []


class VerifyResult(_Result):
    """Everything a `verify` has to say."""

    verdict: Literal["proven", "not proven"]
    copies: list[VerifiedCopy]
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class WipeCopy(_Result):
    """A copy that `may-wipe` looked at. `counted` is whether it counts; `why` says how it is proven or what lacks."""

    path: str
    drive: str
    role: str
    device: str
    roll: str
    attached: bool
    counted: bool
    readback: Literal["medium", "server", "cache"] | None
    why: str
    seen_at: str | None = None
    drive_failed: bool = Field(default=False, exclude=True)
    """Whether the drive failed when it was looked at just now."""


class WipeRoll(_Result):
    """A roll that files on the card belong to."""

    roll: str
    production: str | None
    files: int
    copies_counted: int
    copies_required: int
    required_by: str = ""
    """The record that asks for more copies than today's rules do; empty where those ask for so many."""


class MayWipeResult(_Result):
    """Everything `may-wipe` has to say. `reasons` are empty exactly when the answer is MAY WIPE."""

    answer: Literal["MAY WIPE", "KEEP"]
    basis: Literal["reread", "listing"] | None
    reasons: list[str]
    rolls: list[WipeRoll]
    copies: list[WipeCopy]
    findings: list[Finding]
    label: str = ""
    capacity_bytes: int = 0
    files: int = 0
    bytes: int = 0
    clips: int = 0
    first_clip: str = ""
    last_clip: str = ""
    permits: list[str] = []
    """Paths of the permit records that were written."""
    rules_from: str = ""
    """The production file whose rules held, or that what is built in did."""
    seconds: float = 0.0
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")
