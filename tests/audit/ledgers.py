"""What the station remembers of an invented production."""

from __future__ import annotations

from audit.production import NAME, ToShoot
from rollproof.ledger.entries import CardNote, CopyNote, DriveIdentity, FileNote, OffloadNote
from rollproof.ledger.ledger import Ledger
from rollproof.models.volumes import Device, Evidence


def remember(ledger: Ledger, roll: ToShoot, drive: str = "LOST") -> None:
    """The station has offloaded this roll to a drive that is nowhere now."""
    identity = DriveIdentity(f"disk:{drive}", f"uuid-{drive}", "disk", Device(None).model, "", None, drive, "ext4")
    copy = CopyNote(
        identity=identity,
        folder=roll.folder.encode(),
        drive=drive,
        role=drive.lower(),
        state="proven",
        readback=Evidence.MEDIUM,
        seen_at=roll.written_at,
    )
    card = CardNote(
        volume_name=roll.name,
        serial=f"card-{roll.name}",
        capacity_bytes=1 << 30,
        file_system="exfat",
        boot_id="boot-1",
        disk_sequence=1,
        mount_point=b"/media/card",
        device_number=1,
        device_key="card",
        listing_digest="cd" * 32,
        reads=(Evidence.MEDIUM, Evidence.MEDIUM),
    )
    note = OffloadNote(
        production=NAME,
        roll=roll.name,
        card=card,
        algorithm="xxh128",
        written_at=roll.written_at,
        copies=(copy,),
        day=roll.date,
        unit=roll.unit,
    )
    ledger.remember_offload(note, [FileNote(b"CLIP/a.mov", 5, 1, "ab" * 16)])
