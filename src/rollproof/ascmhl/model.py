"""What a Media Hash List says, as plain classes. Paths are bytes relative to the top of the data set."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from rollproof.hashing import ALGORITHMS, text_of
from rollproof.models.findings import Finding


class Action(StrEnum):
    """What a hash in a manifest stands for."""

    ORIGINAL = "original"
    """The first hash of this file and algorithm in this history."""
    VERIFIED = "verified"
    """Compared with an earlier good hash, and equal."""
    FAILED = "failed"
    """Compared, and different; it is the hash just read, and never one to compare against."""


class Process(StrEnum):
    """What a manifest was written for."""

    IN_PLACE = "in-place"
    TRANSFER = "transfer"
    FLATTEN = "flatten"


_NO_ACTIONS: Mapping[str, Action] = MappingProxyType({})


@dataclass(slots=True)
class FileHash:
    """One file of a manifest: the element `hash`. (Not frozen, because that makes each of 200,000 twice as dear;
    nobody changes one.)

    `hashes` maps algorithm to text form. `action` holds for all of them, except those in `actions`. `size` is bytes,
    `modified_ns` nanoseconds since the epoch, UTC; either is None only where somebody else's manifest lacks it.
    """

    path: bytes
    size: int | None
    modified_ns: int | None
    hashes: Mapping[str, str]
    action: Action = Action.ORIGINAL
    hash_date: datetime | None = None
    previous_path: bytes | None = None
    actions: Mapping[str, Action] = field(default_factory=lambda: _NO_ACTIONS)  # one for all: there may be many files
    clip: Mapping[str, str] | None = None
    """Attributes of our own element in the standard's `metadata`: what is known of the clip that begins here."""

    def action_of(self, algorithm: str) -> Action:
        """The action of one of its hashes."""
        return self.actions.get(algorithm, self.action)


@dataclass(frozen=True, slots=True)
class FolderHash:
    """One folder of a manifest: the element `directoryhash`, or `roothash` when `path` is empty.

    An algorithm is absent where the folder's hash cannot be told.
    """

    path: bytes
    content: Mapping[str, str]
    structure: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Author:
    """A person named in a manifest."""

    name: str
    role: str = ""
    email: str = ""
    phone: str = ""


@dataclass(frozen=True, slots=True)
class Creator:
    """The element `creatorinfo`, without its date."""

    host: str
    tool: str
    tool_version: str
    authors: tuple[Author, ...] = ()
    location: str = ""
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Reference:
    """A manifest of an inner history: its path relative to the top of the outer one, and its C4."""

    path: bytes
    c4: str


@dataclass(frozen=True, slots=True)
class Generation:
    """A manifest to be written.

    `started_at` (with offset) is when the operation began; `written_at` when the manifest was made, the same where
    None. `files` are in byte order of their paths and are gone through twice: a sequence, or an object whose
    iteration begins anew each time. `folders` are all folders below the top, in any order. `algorithms` are those of
    the folder hashes. `inner` are folders with a history of their own: files below them count in the folder hashes,
    but are recorded in that history only, and `references` name its manifests.
    """

    process: Process
    started_at: datetime
    creator: Creator
    algorithms: tuple[str, ...]
    files: Iterable[FileHash]
    folders: Sequence[bytes]
    ignore_patterns: tuple[str, ...] = ()
    references: tuple[Reference, ...] = ()
    inner: tuple[bytes, ...] = ()
    written_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class WrittenManifest:
    """A manifest that lies on the drive, flushed and in the chain."""

    name: bytes
    sequence: int
    c4: str
    size: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class ManifestHeader:
    """What stands before the hashes. `created_at` is the text of the manifest, `root` its `roothash`."""

    process: Process
    created_at: str
    creator: Creator
    root: FolderHash | None
    ignore_patterns: tuple[str, ...]


class ManifestState(StrEnum):
    """What the chain says about a manifest."""

    WHOLE = "whole"
    CHANGED = "changed"
    GONE = "gone"
    NOT_IN_CHAIN = "not in the chain"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class ManifestRead:
    """One generation of a history as found. `sequence` is None where neither chain nor name gives one.

    `files` and `failed` count its file elements and those with a failed hash.
    """

    name: bytes
    sequence: int | None
    state: ManifestState
    c4: str
    header: ManifestHeader | None = None
    references: tuple[Reference, ...] = ()
    files: int = 0
    failed: int = 0


Shape = tuple[tuple[str, Action], ...]
"""Algorithms in the order of their raw hashes, each with the action it was recorded with."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What a file must hash to: its earliest good hash per algorithm.

    Kept small, because a history may name hundreds of thousands of files: the raw hashes stand end to end in
    `packed`, and files with the same algorithms share one `shape`, which holds `original` and `verified` only.
    """

    size: int | None
    modified_ns: int | None
    shape: Shape
    packed: bytes

    def good(self) -> Iterator[tuple[str, bytes, Action]]:
        """Algorithm, raw hash and recorded action of each good hash."""
        at = 0
        for name, action in self.shape:
            width = ALGORITHMS[name].raw_bytes
            yield name, self.packed[at : at + width], action
            at += width

    def raw(self, algorithm: str) -> bytes | None:
        """The raw hash to compare with, or None where there is none."""
        return next((raw for name, raw, _ in self.good() if name == algorithm), None)

    @property
    def hashes(self) -> dict[str, str]:
        """The good hashes by algorithm, in text form."""
        return {name: text_of(name, raw) for name, raw, _ in self.good()}

    @property
    def algorithms(self) -> tuple[str, ...]:
        """The algorithms that can be compared."""
        return tuple(name for name, _ in self.shape)


@dataclass(frozen=True, slots=True)
class History:
    """The history at the top of a folder, read whole.

    `expected` is taken only from manifests that match the chain. `findings` hold every error met; none stopped the
    reading. `generations` are in the order of the chain, those that are not in it last.
    """

    generations: tuple[ManifestRead, ...] = ()
    expected: Mapping[bytes, Expected] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    @property
    def present(self) -> bool:
        """Whether there is any history."""
        return bool(self.generations)

    @property
    def ignore_patterns(self) -> tuple[str, ...]:
        """Every pattern any whole generation listed, in order of appearance: the list only grows."""
        found: dict[str, None] = {}
        for generation in self.generations:
            if generation.header is not None and generation.state is ManifestState.WHOLE:
                found.update(dict.fromkeys(generation.header.ignore_patterns))
        return tuple(found)

    @property
    def newest(self) -> ManifestRead | None:
        """The newest generation that is whole."""
        whole = [generation for generation in self.generations if generation.state is ManifestState.WHOLE]
        return whole[-1] if whole else None
