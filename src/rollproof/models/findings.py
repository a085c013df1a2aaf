"""A finding: one thing that is wrong or odd, with a kind, a path, a sentence and a severity."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Severity(StrEnum):
    """How bad a finding is. An error keeps its subject from being proven or the job from starting."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


LOOK_AT_ODD_CLIP = "look at it before the card is wiped, and tell the camera team"
"""The next step for an odd clip, wherever it is told."""


class Kind(StrEnum):
    """Every kind of finding. The value is the stable id in JSON and records."""

    # the card
    NOTHING_TO_COPY = "nothing-to-copy"
    CARD_MISSING = "card-missing"
    CARD_CHANGED = "card-changed"
    CARD_WRITABLE = "card-writable"
    CARD_IS_A_COPY = "card-is-a-copy"
    LINK = "link"
    SPECIAL_FILE = "special-file"
    UNREADABLE = "unreadable"
    UNREADABLE_FOLDER = "unreadable-folder"
    IGNORED = "ignored"
    METADATA_TWIN = "metadata-twin"
    EMPTY_FILE = "empty-file"
    NAME_NOT_TEXT = "name-not-text"
    NAMED_PARTS = "named-parts"
    NAME_NOT_IN_MANIFEST = "name-not-in-manifest"
    ODD_NAME = "odd-name"
    EXPECTED_CLIPS = "expected-clips"
    ROLL_NAME = "roll-name"
    SOURCE_READS_DIFFER = "source-reads-differ"
    SOURCE_FROM_CACHE = "source-from-cache"
    SINGLE_READ = "single-read"
    DAMAGED_CLIP = "damaged-clip"
    ODD_CLIP = "odd-clip"
    CLIP_NOT_CHECKED = "clip-not-checked"
    CLIP_FACTS_MISSING = "clip-facts-missing"
    CLIP_NUMBERS_GAP = "clip-numbers-gap"
    CLIP_NAME_TWICE = "clip-name-twice"
    CLIPS_OUT_OF_ORDER = "clips-out-of-order"
    PROXY_WITHOUT_ORIGINAL = "proxy-without-original"
    METADATA_WITHOUT_ORIGINAL = "metadata-without-original"
    CLIP_WITHOUT_METADATA = "clip-without-metadata"
    CLIP_DATE_ODD = "clip-date-odd"
    INDEX_DISAGREES = "index-disagrees"
    ROLL_NAME_USED = "roll-name-used"
    KNOWN_CARD = "known-card"
    # the drives
    NO_SPACE = "no-space"
    FILE_TOO_LARGE = "file-too-large"
    NAME_NOT_HELD = "name-not-held"
    NAMES_COLLIDE = "names-collide"
    SAME_DEVICE = "same-device"
    UNKNOWN_DEVICE = "unknown-device"
    DISK_IMAGE = "disk-image"
    NO_RIGHT_TO_DEVICE = "no-right-to-device"
    SAME_FOLDER = "same-folder"
    DESTINATION_INSIDE_SOURCE = "destination-inside-source"
    SOURCE_INSIDE_DESTINATION = "source-inside-destination"
    DESTINATION_INSIDE_ROLL = "destination-inside-roll"
    NOT_WRITABLE = "not-writable"
    DRIVE_MISSING = "drive-missing"
    SYSTEM_DISK = "system-disk"
    STATION_ON_DRIVE = "station-on-drive"
    DIFFERENT_CONTENT = "different-content"
    LOCKED = "locked"
    TOO_FEW_COPIES = "too-few-copies"
    ON_BATTERY = "on-battery"
    DRIVE_FAILED = "drive-failed"
    DRIVE_FULL = "drive-full"
    DRIVE_GONE = "drive-gone"
    DRIVE_HANGS = "drive-hangs"
    FELL_BEHIND = "fell-behind"
    READBACK_DIFFERS = "readback-differs"
    READBACK_FROM_CACHE = "readback-from-cache"
    SUSPECT_KEPT = "suspect-kept"
    INTERRUPTED = "interrupted"
    # copies that are verified
    DIFFERS = "differs"
    MISSING = "missing"
    UNKNOWN_FILE = "unknown-file"
    NO_HISTORY = "no-history"
    NOT_FINISHED = "not-finished"
    READ_ONLY = "read-only"
    PATH_ESCAPES = "path-escapes"
    BAD_MANIFEST = "bad-manifest"
    MANIFEST_CHANGED = "manifest-changed"
    MANIFEST_MISSING = "manifest-missing"
    MANIFEST_NOT_IN_CHAIN = "manifest-not-in-chain"
    BAD_RECORD = "bad-record"
    RECORD_MISSING = "record-missing"
    CHAIN_BROKEN = "chain-broken"
    RECORD_AND_MANIFEST_DISAGREE = "record-and-manifest-disagree"
    OTHER_DEVICE = "other-device"
    FOREIGN_RECORD = "foreign-record"
    NEWER_VERSION = "newer-version"
    # may it be wiped
    NOT_A_CARD_ROOT = "not-a-card-root"
    OTHER_PARTITION = "other-partition"
    MOUNTED_INSIDE = "mounted-inside"
    SPACE_UNEXPLAINED = "space-unexplained"
    HIDDEN_MEDIA = "hidden-media"
    NOT_OFFLOADED = "not-offloaded"
    CARD_UNKNOWN = "card-unknown"
    OTHER_PRODUCTION = "other-production"
    COPY_NOT_COUNTED = "copy-not-counted"
    NONE_ATTACHED = "none-attached"
    EMPTY_CARD = "empty-card"
    ACCEPTED = "accepted"
    CLOCK_BEHIND = "clock-behind"
    PERMIT_BEFORE = "permit-before"
    PERMIT_NOT_WRITTEN = "permit-not-written"
    COMPUTER_SLEPT = "computer-slept"
    # chain of custody
    NOT_SIGNED = "not-signed"
    SIGNER_UNKNOWN = "signer-unknown"
    SIGNATURE_WRONG = "signature-wrong"
    COULD_NOT_SIGN = "could-not-sign"
    KNOWN_KEYS = "known-keys"
    NOT_PROVEN = "not-proven"
    ROLL_MISSING = "roll-missing"
    ROLL_ADDED = "roll-added"
    RECORDS_ADDED = "records-added"
    NO_HANDOVER = "no-handover"
    OTHER_DRIVE = "other-drive"
    OTHER_RECEIPT = "other-receipt"
    SHEET_NOT_WRITTEN = "sheet-not-written"
    NO_PDF = "no-pdf"
    # the whole production
    ROLL_GAP = "roll-gap"
    NO_SOUND_ROLL = "no-sound-roll"
    COPY_MISSING = "copy-missing"
    NOT_ON_DRIVE = "not-on-drive"
    RECORD_WITHOUT_FILES = "record-without-files"
    FILES_WITHOUT_RECORD = "files-without-record"
    EMPTY_ROLL = "empty-roll"
    NOT_IN_EVERY_COPY = "not-in-every-copy"
    COPIES_DISAGREE = "copies-disagree"
    NOT_COMPARED = "not-compared"
    CLIP_IN_TWO_ROLLS = "clip-in-two-rolls"
    TWO_ROLLS_ONE_NAME = "two-rolls-one-name"
    PERMIT_TOO_EARLY = "permit-too-early"
    NO_PERMIT = "no-permit"
    NOT_RECEIVED = "not-received"
    NOT_LOOKED_AT = "not-looked-at"
    # the station
    LEDGER_DAMAGED = "ledger-damaged"
    LEDGER_MISSING = "ledger-missing"
    LEDGER_FROM_ELSEWHERE = "ledger-from-elsewhere"
    LEDGER_RESTORED = "ledger-restored"
    NOT_REMEMBERED = "not-remembered"


MOST_OTHERS = 200
"""The names that a grouped finding carries beside the first."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong or odd.

    `path` is for people (lossy text, relative to the roll, empty when it is about the whole).
    `drive` names the drive it is about, if one. `remedy` is the next thing to do.
    `count` is more than one when equal findings were grouped; `path` is then the first of them, and `others` are the
    next ones, at most `MOST_OTHERS`.
    """

    kind: Kind
    severity: Severity
    path: str
    detail: str
    drive: str = ""
    remedy: str = ""
    count: int = field(default=1)
    others: tuple[str, ...] = ()

    def as_json(self) -> dict[str, object]:
        """The contract's keys, and `drive`, `remedy`, `count` where they say something."""
        out: dict[str, object] = {
            "kind": self.kind.value,
            "severity": self.severity.value,
            "path": self.path,
            "detail": self.detail,
        }
        if self.drive:
            out["drive"] = self.drive
        if self.remedy:
            out["remedy"] = self.remedy
        if self.count != 1:
            out["count"] = self.count
        if self.others:
            out["others"] = list(self.others)
        return out


def error(kind: Kind, detail: str, *, path: str = "", drive: str = "", remedy: str = "", count: int = 1) -> Finding:
    """What keeps its subject from being proven, or the job from starting."""
    return Finding(kind, Severity.ERROR, path, detail, drive, remedy, count)


def warning(kind: Kind, detail: str, *, path: str = "", drive: str = "", remedy: str = "", count: int = 1) -> Finding:
    """What somebody has to look after, though the job goes on."""
    return Finding(kind, Severity.WARNING, path, detail, drive, remedy, count)


def note(kind: Kind, detail: str, *, path: str = "", drive: str = "", remedy: str = "", count: int = 1) -> Finding:
    """What is worth knowing."""
    return Finding(kind, Severity.NOTE, path, detail, drive, remedy, count)


def worst(findings: list[Finding] | tuple[Finding, ...]) -> Severity | None:
    """The worst severity among them, or None when there are none."""
    for severity in Severity:
        if any(finding.severity is severity for finding in findings):
            return severity
    return None
