"""What a person asks for, as plain values: the input of the workflows."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Person:
    """Who is at the station. Empty name: not said."""

    name: str = ""
    role: str = ""


@dataclass(frozen=True, slots=True)
class OffloadRequest:
    """One `rollproof offload`. Paths are as the person typed them, as bytes.

    `destinations` are the `--to` folders; empty means the production file's drives. `production_file` is the one
    named by `--production` or the environment; None means: look in the working folder and above.
    """

    cards: tuple[bytes, ...]
    destinations: tuple[bytes, ...] = ()
    roll: str | None = None
    hashes: tuple[str, ...] = ()
    expect_clips: int | None = None
    expect_last: str | None = None
    production_file: bytes | None = None
    working_folder: bytes = b"."
    day: str | None = None
    unit: str | None = None
    person: Person = field(default_factory=Person)
    single_read: bool = False
    dry_run: bool = False
    system_disk: bool = False
    """Whether a destination on this computer's own disk is meant."""
    block_mib: int | None = None
    """MiB read and written at once, and reads in flight on each device; None: what measured best."""
    reads: int | None = None


@dataclass(frozen=True, slots=True)
class VerifyRequest:
    """One `rollproof verify`. A path is a roll folder, or any folder above some: a day, a whole drive."""

    paths: tuple[bytes, ...]
    strict: bool = False
    add_hashes: tuple[str, ...] = ()
    person: Person = field(default_factory=Person)
    working_folder: bytes | None = None
    """Where a production file is looked for, with the folders above; None: none is."""
    production_file: bytes | None = None


@dataclass(frozen=True, slots=True)
class LookedAtRequest:
    """One `rollproof looked-at`. `day` tells two rolls of one name apart."""

    rolls: tuple[str, ...]
    person: Person
    note: str = ""
    day: str | None = None


@dataclass(frozen=True, slots=True)
class MayWipeRequest:
    """One `rollproof may-wipe`. `accepted` are names a person takes upon themselves, all for `reason`. With
    `clock_is_right` the person has looked at the clock, and it is right whatever is recorded."""

    card: bytes
    reread: bool = False
    reread_copies: bool = False
    accepted: tuple[str, ...] = ()
    reason: str = ""
    production_file: bytes | None = None
    working_folder: bytes = b"."
    person: Person = field(default_factory=Person)
    clock_is_right: bool = False


@dataclass(frozen=True, slots=True)
class HandoverRequest:
    """One `rollproof handover`. `sheet` is where the page for the envelope goes; None: the station's own folder."""

    drive: bytes
    to: str
    via: str = ""
    note: str = ""
    reread: bool = False
    sheet: bytes | None = None
    person: Person = field(default_factory=Person)
    working_folder: bytes | None = None
    """As of `VerifyRequest`."""
    production_file: bytes | None = None


@dataclass(frozen=True, slots=True)
class ReceiveRequest:
    """One `rollproof receive`. `receipt` is the code as it was said on the phone; None: not said. `packing_list` is the
    folder that was sent ahead."""

    drive: bytes
    receipt: str | None = None
    person: Person = field(default_factory=Person)
    packing_list: bytes | None = None


@dataclass(frozen=True, slots=True)
class ChecksumsRequest:
    """One `rollproof checksums`. `path` is a roll folder, or any folder above some; names in the file are from it."""

    path: bytes
    algorithm: str
    out: bytes


@dataclass(frozen=True, slots=True)
class AgainstRequest:
    """One `rollproof verify --against`. `against` is a checksum file whose names are from `path`."""

    path: bytes
    against: bytes
    strict: bool = False


@dataclass(frozen=True, slots=True)
class PackingListRequest:
    """One `rollproof packing-list`. A drive may be any folder above rolls, or a roll; `out` is the list's folder."""

    drives: tuple[bytes, ...]
    out: bytes
    person: Person = field(default_factory=Person)


@dataclass(frozen=True, slots=True)
class InspectRequest:
    """One `rollproof inspect`. The path is a card, an offloaded roll, a drive with rolls, or one file of a clip;
    `posters` is the folder that posters go into."""

    path: bytes
    posters: bytes | None = None


@dataclass(frozen=True, slots=True)
class ClipsRequest:
    """One `rollproof clips`. `csv` is the file to write; None: nowhere, `-` is the command's business."""

    paths: tuple[bytes, ...]
    csv: bytes | None = None


@dataclass(frozen=True, slots=True)
class AuditRequest:
    """One `rollproof audit`. `paths` are drives or folders of some; `against` is a production file.

    `since` is the moment from which a verify counts as made by this audit, None: the start of a stopped one, else now.
    `accepted` are names of findings that `person` accepts, all for `reason`. `out` is where the document goes.
    """

    paths: tuple[bytes, ...]
    reread: bool = False
    against: bytes | None = None
    working_folder: bytes = b"."
    since: datetime | None = None
    accepted: tuple[str, ...] = ()
    reason: str = ""
    out: bytes | None = None
    person: Person = field(default_factory=Person)


@dataclass(frozen=True, slots=True)
class ReportRequest:
    """One `rollproof report`. `day` None with `whole` False: today's shooting day. `out` None: the station's own
    folder. `posters` None: pictures for a day, none for a whole production.
    """

    drives: tuple[bytes, ...] = ()
    day: str | None = None
    whole: bool = False
    out: bytes | None = None
    posters: bool | None = None
    working_folder: bytes = b"."
    person: Person = field(default_factory=Person)


class Cancel:
    """Asked-for end of the work: set once by Ctrl-C, looked at by every leg between two blocks."""

    def __init__(self) -> None:
        self._event = threading.Event()

    def set(self) -> None:
        """Ask for the end."""
        self._event.set()

    def is_set(self) -> bool:
        """Whether the end was asked for."""
        return self._event.is_set()
