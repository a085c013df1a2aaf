"""What goes into a ledger, as data: a documentary about a bell foundry."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from rollproof.ledger.entries import (
    CardNote,
    ClipNote,
    CopyNote,
    DriveIdentity,
    FileNote,
    OffloadNote,
    PermitNote,
    RecordNote,
)
from rollproof.models.requests import Person
from rollproof.models.volumes import Evidence

WHEN = datetime(2026, 5, 14, 8, 15, 2, tzinfo=UTC)
HERE = "this-machine"
ELSEWHERE = "another-machine"
WRANGLER = Person("data wrangler", "camera assistant")
MEDIUM = Evidence.MEDIUM


def later(**how: float) -> datetime:
    """A moment after `WHEN`."""
    return WHEN + timedelta(**how)


def identity(name: str = "primary", **changes: Any) -> DriveIdentity:
    """A drive; two names are two devices."""
    whole = DriveIdentity(
        f"disk:{name}", f"uuid-{name}", "disk", "Bell Disk", f"S-{name}", 4 << 40, name.upper(), "ext4"
    )
    return replace(whole, **changes)


def card(listing: str = "listing-1", **changes: Any) -> CardNote:
    """The card in the reader."""
    whole = CardNote(
        volume_name="A003",
        serial="1234-ABCD",
        capacity_bytes=128 << 30,
        file_system="exfat",
        boot_id="boot-1",
        disk_sequence=12,
        mount_point=b"/media/A003",
        device_number=2065,
        device_key="usb:card",
        listing_digest=listing,
        reads=(MEDIUM, MEDIUM),
    )
    return replace(whole, **changes)


def record(number: int = 1, kind: str = "offload", **changes: Any) -> RecordNote:
    """A record on a drive."""
    name = f"{number:04}_{kind}_2026-05-14T081502Z.json"
    digest = hashlib.sha256(name.encode()).hexdigest()
    return replace(RecordNote(name, number, kind, digest, None, WHEN, WRANGLER, HERE), **changes)


def copy(name: str = "primary", **changes: Any) -> CopyNote:
    """A copy on the drive of that name."""
    whole = CopyNote(
        identity=identity(name),
        folder=b"The Bell Foundry/day 1/A003",
        drive=name,
        role=name,
        state="proven",
        readback=MEDIUM,
        seen_at=WHEN,
        record=record(),
    )
    return replace(whole, **changes)


def file(name: str, **changes: Any) -> FileNote:
    """A file of the roll; its hash follows from its name."""
    digest = hashlib.md5(name.encode(), usedforsecurity=False).hexdigest()
    return replace(FileNote(name.encode(), 5, 1_778_746_502_540_000_000, digest), **changes)


def files(count: int = 3, roll: str = "A003") -> Iterator[FileNote]:
    """Files of a roll, in byte order."""
    return (file(f"CLIPS/{roll}C{number:07}.mov") for number in range(count))


def offload(roll: str = "A003", **changes: Any) -> OffloadNote:
    """One run onto a primary and a backup drive."""
    whole = OffloadNote(
        production="The Bell Foundry",
        roll=roll,
        card=card(),
        algorithm="xxh128",
        written_at=WHEN,
        copies=(copy("primary"), copy("backup")),
        person=WRANGLER,
        station=HERE,
        day="1",
        unit="main",
        camera="A",
        clips=(ClipNote(f"{roll}C001", 2, 10), ClipNote(f"{roll}C002", 1, 5)),
    )
    return replace(whole, **changes)


def permit(rolls: tuple[int, ...], copies: tuple[int, ...] = (), **changes: Any) -> PermitNote:
    """A permit for the card."""
    whole = PermitNote(
        written_at=later(hours=1),
        basis="listing",
        listing_digest="listing-1",
        serial="1234-ABCD",
        rolls=rolls,
        copies=copies,
        person=WRANGLER,
    )
    return replace(whole, **changes)
