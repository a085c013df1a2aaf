"""Taking a copy's own records into the ledger: after a verify, and for the rebuild from drives.

What a drive tells is hearsay until this station has looked at the files themselves: an offload learned so is never
one of this station's own, and a copy counts while it is absent only once it was seen.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterator
from datetime import datetime

from rollproof.copies.location import drive_and_role
from rollproof.copies.roll_folder import RollFolder
from rollproof.hashing import ALGORITHMS, proof_algorithm
from rollproof.ledger.entries import (
    CardNote,
    ClipNote,
    CopyNote,
    DriveIdentity,
    FileNote,
    KnownOffload,
    OffloadNote,
    PaceNote,
    RecordNote,
)
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.migrations import FROM_A_COPY
from rollproof.models.counting import count_of
from rollproof.models.requests import Person
from rollproof.models.volumes import Volume
from rollproof.records.chain import Chain, Link, newest_word
from rollproof.records.founding import founder_of
from rollproof.records.models import (
    AcceptHeader,
    AnyHeader,
    CopyBlock,
    HandoverHeader,
    LookedHeader,
    OffloadHeader,
    PermitHeader,
    ReceiveHeader,
    SourceBlock,
    VerifyHeader,
    WithdrawHeader,
)
from rollproof.records.read import iter_clips, iter_files
from rollproof.records.rows import ClipRow
from rollproof.records.standing import Standing
from rollproof.storage.io import Io

_CAMERA = re.compile(r"(?!S\d)([A-Z])\d{2,}")
"""`S001` is a roll of sound, by the habit of sound departments."""


def camera_of(roll: str) -> str | None:
    """The camera's letter as a roll's name tells it (`A003`: A); None for other names, sound rolls among them."""
    found = _CAMERA.match(roll)
    return found[1] if found else None


def clip_note(clip: ClipRow) -> ClipNote:
    """What the ledger keeps of a clip. Drives tell it: no text is longer than a fact of a clip can be."""
    facts = (clip.duration, clip.timecode, clip.frame_rate, clip.resolution, clip.codec)
    return ClipNote(clip.name, clip.files, clip.bytes, clip.health, *(text[:60] if text else None for text in facts))


def pace_notes(header: AnyHeader | None) -> tuple[PaceNote, ...]:
    """What the ledger keeps of how fast a copy was made; nothing of a leg without a time."""
    if not isinstance(header, OffloadHeader):
        return ()
    return tuple(
        PaceNote(
            pace.leg[:60],
            pace.started_at.replace(microsecond=0),
            pace.seconds,
            pace.bytes,
            pace.stretch_seconds,
            pace.stretches,
        )
        for pace in header.pace
        if 0 < pace.seconds < math.inf and pace.stretch_seconds < math.inf
    )


def record_note(link: Link) -> RecordNote | None:
    """What the ledger keeps of a record; None for one that could not be read."""
    header = link.header
    if header is None or not link.sha256:
        return None
    verdict, detail = _told(header)
    return RecordNote(
        name=link.name,
        sequence=link.sequence,
        kind=header.kind,
        sha256=link.sha256,
        previous_sha256=link.previous_sha256,
        written_at=header.written_at,
        person=Person(header.by.name, header.by.role),
        station=header.station.id,
        verdict=verdict,
        detail=detail,
    )


def _told(header: AnyHeader) -> tuple[str, str]:
    """A record's verdict and its story in a few words."""
    if isinstance(header, OffloadHeader):
        how = FROM_A_COPY if header.of_copy else f"{count_of(len(header.source.reads), 'read')} of the card"
        return header.copy_.state, f"{count_of(header.totals.files, 'file')}, {how}"
    if isinstance(header, VerifyHeader | ReceiveHeader):
        totals = header.totals
        wrong = ((totals.differ, "differ"), (totals.missing, "missing"), (totals.unknown, "unknown"))
        said = "".join(f", {count:,} {word}" for count, word in wrong if count)
        return header.verdict, f"{count_of(totals.files, 'file')}{said}"
    if isinstance(header, LookedHeader):
        return "", header.note
    if isinstance(header, PermitHeader):
        return "", f"basis {header.basis}, {count_of(len(header.counted), 'copy', 'copies')} counted"
    if isinstance(header, WithdrawHeader):
        return "", f"withdraws {header.withdraws.name}: {header.reason}"
    if isinstance(header, AcceptHeader):
        return "", f"accepted: {', '.join(each.name for each in header.accepted)}: {header.reason}"
    if isinstance(header, HandoverHeader):
        return "", f"to {header.to}"
    return "", ""


def learn_copy(
    ledger: Ledger,
    roll: RollFolder,
    chain: Chain,
    found: Standing,
    *,
    seen_at: datetime | None,
    siblings: bool = False,
) -> list[int]:
    """Make the ledger know the copy in an open roll folder, and the runs its records tell of; returns the copy's ids
    (one for each roll that its offload records name).

    `seen_at` None keeps the copy hearsay. With `siblings`, the copies that the records name elsewhere are learned as
    hearsay too. Raises LedgerProblem, UntrustedInput for a record that cannot be read through, OSError.
    """
    volume, folder = roll.volume, roll.folder
    copies: dict[int, None] = {}
    word = newest_word(chain)
    if found.state == "proven" and word is not None:
        ledger.settle_by_word(DriveIdentity.of(volume), folder, word.sha256)
    made_here = _pace_here(chain, volume)
    for link in chain.links:
        header = link.header
        if not isinstance(header, OffloadHeader) or link.state != "whole":
            continue
        if header.of_copy and copies:
            continue  # a copy of a copy: the offload of the card, carried along, tells of the roll
        name, role = drive_and_role((found.newest_offload or header).copy_, volume)
        note = CopyNote(
            identity=DriveIdentity.of(volume),
            folder=folder,
            drive=name or roll.drive,
            role=role,
            state=found.state,
            readback=found.readback,
            seen_at=seen_at,
            why=" ".join(found.why),
            record=record_note(link),
            pace=made_here,
            founder=founder_of(chain),
        )
        roll_id, offload_id, copy_id = _offload(ledger, roll.io, roll.handle, link, header, note)
        copies[copy_id] = None
        for other in header.other_copies if siblings else ():
            ledger.remember_copy(roll_id, _hearsay(other, header), offload_ids=(offload_id,))
    return list(copies)


def _pace_here(chain: Chain, volume: Volume) -> tuple[PaceNote, ...]:
    """How fast this copy was made: records that a copy of a copy carries along tell of another drive."""
    here = (volume.device.key, volume.serial)
    return tuple(
        pace
        for link in chain.links
        if isinstance(link.header, OffloadHeader)
        and link.state == "whole"
        and (link.header.copy_.device.key, link.header.copy_.volume.serial) == here
        for pace in pace_notes(link.header)
    )


def _offload(
    ledger: Ledger, io: Io, handle: int, link: Link, header: OffloadHeader, note: CopyNote
) -> tuple[int, int, int]:
    algorithm = _algorithm(io, handle, link, header)
    for known in ledger.find_by_listing(header.source.listing_digest):
        same = (known.roll, known.production, known.algorithm) == (header.roll or "", header.production, algorithm)
        if same and _same_files(ledger, known, _files(io, handle, link, algorithm)):
            return known.roll_id, known.id, ledger.remember_copy(known.roll_id, note, offload_ids=(known.id,))
    remembered = ledger.remember_offload(
        OffloadNote(
            production=header.production,
            roll=header.roll or "",
            card=_card(header.source),
            algorithm=algorithm,
            written_at=header.written_at,
            copies=(note,),
            person=Person(header.by.name, header.by.role),
            station="",  # hearsay: a drive can say of any run that it was this station's
            day=header.day,
            unit=header.unit,
            camera=camera_of(header.roll or ""),
            clips=tuple(clip_note(clip) for clip in iter_clips(io, handle, link.name)),
            copies_required=header.policy.copies_required,
        ),
        _files(io, handle, link, algorithm),
    )
    return remembered.roll_id, remembered.offload_id, remembered.copies[0]


def _algorithm(io: Io, handle: int, link: Link, header: OffloadHeader) -> str:
    """The algorithm the files are remembered by: the record's own choice, else the fastest it has."""
    if header.files_digest is not None and header.files_digest.algorithm in ALGORITHMS:
        return header.files_digest.algorithm
    for row in iter_files(io, handle, link.name):
        known = [name for name in row.hashes if name in ALGORITHMS]
        if known:
            return proof_algorithm(known)
    return "xxh128"


def _files(io: Io, handle: int, link: Link, algorithm: str) -> Iterator[FileNote]:
    for row in iter_files(io, handle, link.name):
        yield FileNote(row.path, row.size, row.modified_ns, row.hashes.get(algorithm))


def _same_files(ledger: Ledger, known: KnownOffload, files: Iterator[FileNote]) -> bool:
    remembered = ledger.files_of(known.id)
    for note in files:
        file = next(remembered, None)
        if file is None:
            return False
        if (file.path, file.size, file.modified_ns, file.hash_text) != (
            note.path,
            note.size,
            note.modified_ns,
            note.hash_text,
        ):
            return False
    return next(remembered, None) is None


def _card(source: SourceBlock) -> CardNote:
    return CardNote(
        volume_name=source.volume_name,
        serial=source.serial,
        capacity_bytes=source.capacity_bytes,
        file_system=source.file_system,
        boot_id=source.boot_id,
        disk_sequence=source.disk_sequence,
        mount_point=os.fsencode(source.mount_point),
        device_number=source.number,
        device_key=source.device.key,
        listing_digest=source.listing_digest,
        reads=tuple(read.evidence for read in source.reads),
    )


def _hearsay(copy: CopyBlock, header: OffloadHeader) -> CopyNote:
    """A sibling's copy, as the record of another drive tells of it."""
    device, volume = copy.device, copy.volume
    return CopyNote(
        identity=DriveIdentity(
            device_key=device.key,
            volume_serial=volume.serial,
            kind=device.kind,
            model=device.model,
            serial=device.serial,
            size_bytes=device.size_bytes,
            volume_label=volume.label,
            file_system=copy.file_system,
            capacity_bytes=volume.capacity_bytes,
            source=volume.source,
            boot_id=copy.boot_id,
            device_number=volume.number,
        ),
        folder=os.fsencode(copy.folder),
        drive=copy.drive,
        role=copy.role,
        state=copy.state,
        readback=copy.readback,
        seen_at=None,
        said_at=header.written_at,
        why="another drive's record tells of it; this station has not seen it",
    )
