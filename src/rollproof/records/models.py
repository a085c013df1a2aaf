"""The header of every kind of record: all of a record but its `clips` and `files`.

Keys stand in the file in the order they stand here. They may be added to, never renamed: other people's scripts
read them. `clips` (of an offload) and `files` come last and are streamed, see `records.rows`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, TypeAdapter

from rollproof.models.findings import Finding, Severity
from rollproof.models.volumes import Evidence, MediumWay
from rollproof.proof.policy import ACCEPTED_EVIDENCE, COPIES_REQUIRED
from rollproof.records import clock

FORMAT: Literal["rollproof-record/1"] = "rollproof-record/1"
FORMAT_2: Literal["rollproof-record/2"] = "rollproof-record/2"
"""Carried by the kinds of record that came later: who does not know them says so, and never *damaged*."""

KINDS_OF_2: frozenset[str] = frozenset({"accept", "looked"})

MAX_TEXT = 1000
MAX_FINDINGS = 1000
"""More of them in one header would be read by nobody, and the header must stay small."""

Kind = Literal["offload", "verify", "permit", "withdraw", "handover", "receive", "accept", "looked"]
CopyState = Literal["proven", "copied", "failed", "incomplete"]
Verdict = Literal["proven", "not proven"]


def _whole_text(value: Any) -> Any:
    """A lone surrogate (an odd label or host name) cannot be written as UTF-8: show its number instead."""
    return value.encode("utf-8", "backslashreplace").decode("utf-8") if isinstance(value, str) else value


def _whole_seconds(moment: datetime) -> datetime:
    if not datetime.min.year < moment.year < datetime.max.year:
        raise ValueError("a moment that another zone's clock could not show")
    return moment.replace(microsecond=0)


Text = Annotated[str, BeforeValidator(_whole_text)]
Count = Annotated[int, Field(ge=0, le=(1 << 63) - 1)]
Number = Annotated[int, Field(ge=-(1 << 63), le=(1 << 63) - 1)]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Moment = Annotated[AwareDatetime, AfterValidator(_whole_seconds)]


class Block(BaseModel):
    """A part of a header. Keys of later versions are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False, populate_by_name=True)


class By(Block):
    """Who was at the station. An empty name was not said."""

    name: Text = ""
    role: Text = ""


class Station(Block):
    """The computer and the tool. `id` is a digest that tells one machine from another without naming it."""

    host: Text = ""
    tool: Text = "rollproof"
    version: Text = ""
    os: Text = ""
    id: Text = ""


class DeviceBlock(Block):
    """A physical device; `key` null when it could not be told. See `models.volumes.Device`."""

    key: Text | None = None
    kind: Text = "unknown"
    model: Text = ""
    serial: Text = ""
    size_bytes: Count | None = None
    beneath: Text | None = None
    label: Text = ""


class VolumeBlock(Block):
    """A mounted file system. `source` is what it was mounted from, `number` its device number in that boot."""

    label: Text = ""
    serial: Text | None = None
    capacity_bytes: Count = 0
    source: Text = ""
    number: Number = 0


class SourceRead(Block):
    """One pass over the card, and how it was answered: the weakest evidence of all its files."""

    evidence: Evidence
    way: MediumWay = MediumWay.NONE


SourceKind = Literal["card", "copy"]


class SourceBlock(Block):
    """The card: what tells it from another, how often it was read, and what was listed on it.

    `disk_sequence` and `boot_id` are those of the reads. `listing_digest` is `models.tree.Snapshot.listing_digest`.
    With the kind `copy` it is the drive from which a recorded copy of the roll was copied on, every file compared
    with its own records on the way; `folder` is then the roll folder there, relative to the mount point.
    """

    volume_name: Text
    serial: Text | None
    capacity_bytes: Count
    boot_id: Text | None
    disk_sequence: Number | None
    file_system: Text
    reads: tuple[SourceRead, ...]
    listing_digest: Text
    device: DeviceBlock = DeviceBlock()
    mount_point: Text = ""
    number: Number = 0
    read_only: bool = False
    kind: SourceKind = "card"
    folder: Text = ""


class Policy(Block):
    """What the production asked for when this was written."""

    copies_required: Count = COPIES_REQUIRED
    accepted_evidence: tuple[Evidence, ...] = ACCEPTED_EVIDENCE
    accepted_source_evidence: tuple[Evidence, ...] = (Evidence.MEDIUM,)
    distinct_devices: bool = False


class CopyBlock(Block):
    """One copy of the roll, on one volume of one device.

    `drive` is how people call it, `folder` the roll folder relative to the volume's mount point. `readback` is the
    weakest evidence of the last read of all its files, null when nothing was read; `way` how this volume earns it.
    `boot_id` and `disk_sequence` are those at the write.
    """

    drive: Text
    role: Text
    state: CopyState
    device: DeviceBlock
    volume: VolumeBlock
    file_system: Text
    readback: Evidence | None
    way: MediumWay
    timestamp_granularity_ns: Count
    boot_id: Text | None
    disk_sequence: Number | None
    folder: Text = ""


class FindingBlock(Block):
    """A finding, see `models.findings.Finding`."""

    kind: Text
    severity: Literal["error", "warning", "note"]
    path: Text
    detail: Text
    drive: Text = ""
    remedy: Text = ""
    count: Count = 1

    @classmethod
    def of(cls, finding: Finding) -> FindingBlock:
        """The block for a finding; texts beyond a thousand letters are cut."""
        shown = {
            key: value[:MAX_TEXT] + "…" if isinstance(value, str) and len(value) > MAX_TEXT else value
            for key, value in finding.as_json().items()
        }
        return cls.model_validate(shown)


def finding_blocks(findings: Iterable[Finding]) -> tuple[FindingBlock, ...]:
    """The blocks for some findings, the worst first; beyond `MAX_FINDINGS` those left out are counted by kind."""
    order = list(Severity)
    ranked = sorted(findings, key=lambda finding: order.index(finding.severity))
    kept = [FindingBlock.of(finding) for finding in ranked[:MAX_FINDINGS]]
    left = Counter((finding.kind, finding.severity) for finding in ranked[MAX_FINDINGS:])
    kept += [
        FindingBlock(kind=kind, severity=severity.value, path="", detail=f"and {count} more of this kind", count=count)
        for (kind, severity), count in left.items()
    ]
    return tuple(kept)


class Totals(Block):
    """How much. `files` and `bytes` are of the whole subject; the others count files among them.

    In an offload `files` is the number of entries of `files`, and `carried` how many of these were taken over from
    an earlier record without being read again. In a verify `files` is how many were read or looked for.
    """

    files: Count
    bytes: Count
    proven: Count = 0
    copied: Count = 0
    failed: Count = 0
    carried: Count = 0
    clips: Count = 0
    differ: Count = 0
    missing: Count = 0
    unknown: Count = 0


class DigestBlock(Block):
    """`records.rows.FilesDigest` over all files of the copy: its algorithm for the files' hashes, and its text."""

    algorithm: Text
    sha256: Sha256


class RecordName(Block):
    """A certain record: name, number and digest of the whole file."""

    name: Text
    sequence: Annotated[int, Field(ge=1)]
    sha256: Sha256


class ManifestName(Block):
    """The generation of the open standard that a run wrote before its record: its manifest's name, number and C4."""

    name: Text
    sequence: Annotated[int, Field(ge=1)]
    c4: Text


class Header(Block):
    """What all kinds have in common. `sequence` and `previous_sha256` are filled in when the record is written."""

    format: Literal["rollproof-record/1", "rollproof-record/2"] = FORMAT
    kind: Kind
    sequence: Annotated[int, Field(ge=1)] = 1
    previous_sha256: Sha256 | None = None
    written_at: Moment = Field(default_factory=clock.now)
    by: By = By()
    station: Station = Station()
    production: Text | None = None
    roll: Text | None = None

    LISTS: ClassVar[frozenset[str]] = frozenset({"findings", "other_copies", "counted", "rolls", "accepted"})
    """Keys whose entries get a line each."""


class PaceBlock(Block):
    """How fast one leg of a copy went (`write` or `read back`): bytes moved in each stretch of so many seconds."""

    leg: Text
    started_at: Moment
    seconds: Annotated[float, Field(ge=0)]
    bytes: Count
    stretch_seconds: Annotated[float, Field(gt=0)]
    stretches: Annotated[tuple[Count, ...], Field(max_length=1000)] = ()


class OffloadHeader(Header):
    """A roll was copied onto this volume. `files` holds every file of the roll that this run speaks of.

    `ignore` are the patterns that left files of the card out, `pace` how fast this copy was made. `founded_by` is the
    digest of the record that founded the copy (`proof.identity`); null in that record itself, which is the first of an
    offload into this roll folder, and in records of versions that did not write it. `manifest` is the generation that
    was written with it; null in records of versions that did not say so.
    """

    kind: Literal["offload"] = "offload"
    source: SourceBlock
    policy: Policy
    copy_: Annotated[CopyBlock, Field(alias="copy")]
    other_copies: tuple[CopyBlock, ...] = ()
    findings: tuple[FindingBlock, ...] = ()
    totals: Totals
    files_digest: DigestBlock | None = None
    day: Text | None = None
    unit: Text | None = None
    ignore: tuple[Text, ...] = ()
    pace: tuple[PaceBlock, ...] = ()
    founded_by: Sha256 | None = None
    manifest: ManifestName | None = None

    @property
    def of_copy(self) -> bool:
        """Whether what was copied is a recorded copy of the roll, and not its card."""
        return self.source.kind == "copy"


class VerifyHeader(Header):
    """The copy was read again in full. `files` holds only those that differ, are missing, or were unknown till now.

    `source`, where present, says that the card was read again too, with the same hashes: it supplies a pass that an
    offload lacked. A record whose copy was not read (only the card was) has a `readback` of null.
    `manifest` as in an offload; null too where no generation could be written.
    """

    kind: Literal["verify"] = "verify"
    source: SourceBlock | None = None
    copy_: Annotated[CopyBlock, Field(alias="copy")]
    findings: tuple[FindingBlock, ...] = ()
    verdict: Verdict
    totals: Totals
    files_digest: DigestBlock | None = None
    manifest: ManifestName | None = None


class Counted(Block):
    """A copy that a permit counted. `record` is the one whose word made it proven."""

    copy_: Annotated[CopyBlock, Field(alias="copy")]
    attached: bool
    seen_at: Moment
    record: RecordName | None = None


class Accepted(Block):
    """Something a person took upon themselves, by name, with a reason."""

    path: Text
    reason: Text
    path_b64: Text | None = None


class PermitHeader(Header):
    """The card may be wiped: who asked, when, on which basis. Never evidence for a later answer."""

    kind: Literal["permit"] = "permit"
    basis: Literal["reread", "listing"]
    source: SourceBlock
    policy: Policy
    counted: tuple[Counted, ...]
    accepted: tuple[Accepted, ...] = ()
    findings: tuple[FindingBlock, ...] = ()
    totals: Totals
    clips_total: Count = 0
    first_clip: Text = ""
    last_clip: Text = ""


class AcceptedFinding(Block):
    """A finding that a person accepted: its kind, what it is called (a clip, a path, a roll), and what it said."""

    kind: Text
    name: Text
    detail: Text = ""


class AcceptHeader(Header):
    """A person accepts findings about this roll, for a reason. It says nothing about the bytes of any copy."""

    format: Literal["rollproof-record/2"] = FORMAT_2
    kind: Literal["accept"] = "accept"
    reason: Text
    accepted: tuple[AcceptedFinding, ...]


class LookedHeader(Header):
    """A person (`by`) has looked at the pictures of this roll. It says nothing about the bytes of any copy."""

    format: Literal["rollproof-record/2"] = FORMAT_2
    kind: Literal["looked"] = "looked"
    note: Text = ""


class WithdrawHeader(Header):
    """An earlier record of this chain no longer holds."""

    kind: Literal["withdraw"] = "withdraw"
    withdraws: RecordName
    withdraws_kind: Kind
    reason: Text
    findings: tuple[FindingBlock, ...] = ()


class RollLine(Block):
    """One roll on a drive that changes hands. `folder` is relative to the folder that holds the `rollproof/` of the
    record, so that it means the same wherever the drive is mounted; `folder_b64` is exact where it is not text.

    `record` is the roll's newest record at that moment (null when none can be read). In a `receive` it is the newest
    as it arrived, before the re-reading appended one of its own. `looked_at_by` is who last said to have looked at the
    pictures, empty where nobody did.
    """

    roll: Text
    folder: Text
    record: RecordName | None
    state: Text
    files: Count = 0
    bytes: Count = 0
    folder_b64: Text | None = None
    looked_at_by: Text = ""


class HandoverHeader(Header):
    """A drive leaves. `receipt` is the short code over the rolls' latest records."""

    kind: Literal["handover"] = "handover"
    to: Text
    via: Text = ""
    note: Text = ""
    checked: Literal["quick", "reread"]
    copy_: Annotated[CopyBlock | None, Field(alias="copy")] = None
    rolls: tuple[RollLine, ...] = ()
    findings: tuple[FindingBlock, ...] = ()
    totals: Totals
    receipt: Text


class ReceiveHeader(Header):
    """A drive arrived and was read again. `handover` is the record it was compared with, if there was one."""

    kind: Literal["receive"] = "receive"
    handover: RecordName | None = None
    copy_: Annotated[CopyBlock | None, Field(alias="copy")] = None
    rolls: tuple[RollLine, ...] = ()
    findings: tuple[FindingBlock, ...] = ()
    verdict: Verdict
    totals: Totals
    receipt: Text


AnyHeader = (
    OffloadHeader
    | VerifyHeader
    | PermitHeader
    | WithdrawHeader
    | HandoverHeader
    | ReceiveHeader
    | AcceptHeader
    | LookedHeader
)

HEADERS: TypeAdapter[AnyHeader] = TypeAdapter(Annotated[AnyHeader, Field(discriminator="kind")])
"""Validates a header of any kind by its `kind`."""
