"""What `handover`, `receive` and `custody` give back: the JSON contract of `--json` as models."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rollproof.models.delivery_results import PackingCheck
from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding

RollState = Literal["proven", "copied", "unproven", "missing"]
Difference = Literal["same", "changed", "missing", "added"]


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SignatureOut(_Result):
    """What a record's signature says. `name` and `known_since` are of a known key, `detail` of a wrong signature."""

    state: Literal["good", "missing", "unknown key", "wrong"]
    fingerprint: str = ""
    name: str = ""
    known_since: str = ""
    detail: str = ""


class DriveOfCustody(_Result):
    """Which drive it is: texts are as read from the system."""

    path: str
    label: str
    volume: str | None
    device: str
    serial: str
    capacity_bytes: int
    file_system: str
    known: str = ""
    """What this station remembers of it, as a sentence; empty where it has no memory."""


class CustodyRoll(_Result):
    """One roll of a drive that changes hands. `record` is its newest record, `compared` what a receive found."""

    roll: str
    folder: str
    state: RollState
    files: int
    bytes: int
    record: str | None
    why: str = ""
    compared: Difference | None = None


class HandoverOut(_Result):
    """One record that was written. `path` is the folder whose `rollproof/` it lies in."""

    path: str
    production: str | None
    record: str
    receipt: str
    rolls: list[CustodyRoll]


class HandoverResult(_Result):
    """Everything a `handover` has to say. `receipt` is that of the one handover, null where there are several."""

    verdict: Literal["proven", "not proven", "refused"]
    receipt: str | None
    to: str
    via: str
    checked: Literal["quick", "reread"]
    drive: DriveOfCustody
    handovers: list[HandoverOut]
    sheet: str | None
    station_key: str
    """Fingerprint of the key that signed; empty when nothing was signed."""
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class ReceiptCompared(_Result):
    """One handover and what arrived. `record` is the `receive` that was written, null on a write-protected drive.

    `same` is null where no handover was found to compare with.
    """

    path: str
    production: str | None
    handover: str | None
    handed_over_at: str | None
    handed_over_by: str
    to: str
    signature: SignatureOut | None
    receipt_then: str | None
    receipt: str
    same: bool | None
    record: str | None
    rolls: list[CustodyRoll]


class ReceiveResult(_Result):
    """Everything a `receive` has to say. `receipt` is that of the one handover, null where there are several."""

    verdict: Literal["proven", "not proven"]
    receipt: str | None
    same: bool | None
    drive: DriveOfCustody
    compared: list[ReceiptCompared]
    packing: PackingCheck | None = None
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class CustodyLink(_Result):
    """One record of a chain. `state` is what the chain says of it, `what` its word in one sentence."""

    record: str
    sequence: int
    kind: str
    written_at: str | None
    by: str
    role: str
    station: str
    state: str
    what: str
    signature: SignatureOut | None
    sha256: str


class CustodyChain(_Result):
    """All records of one roll, or of the handovers of one drive."""

    path: str
    of: Literal["roll", "drive"]
    roll: str | None
    production: str | None
    whole: bool
    links: list[CustodyLink]
    findings: list[Finding]


class CustodyResult(_Result):
    """Everything a `custody` has to say."""

    verdict: Literal["whole", "not whole"]
    chains: list[CustodyChain]
    findings: list[Finding]
    drive: DriveOfCustody | None = None
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


class TrustResult(_Result):
    """A key that was named. `new` is false when it was known by that name already."""

    name: str
    fingerprint: str
    new: bool
    file: str
    findings: list[Finding] = []

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")
