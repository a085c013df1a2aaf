"""Writing down what a person accepts: a record beside a copy, under the roll's lock."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterable, Mapping

from rollproof.copies.location import place_on
from rollproof.copies.roll_lock import try_lock
from rollproof.ledger.entries import DriveIdentity, RecordNote
from rollproof.ledger.ledger import Ledger
from rollproof.models.requests import Person
from rollproof.models.volumes import Volume
from rollproof.records.blocks import this_station
from rollproof.records.models import AcceptedFinding, AcceptHeader, By
from rollproof.records.signing import Signer
from rollproof.records.write import WrittenRecord, append_record
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess
from rollproof.storage.station import station_id


def accept_header(
    accepted: Iterable[AcceptedFinding], person: Person, reason: str, production: str | None, roll: str
) -> AcceptHeader:
    """The record of what a person accepts about a roll."""
    return AcceptHeader(
        by=By(name=person.name, role=person.role),
        station=this_station(),
        production=production,
        roll=roll,
        reason=reason,
        accepted=tuple(accepted),
    )


def write_acceptance(
    io: Io, path: bytes, volume: Volume, header: AcceptHeader, signer: Signer, as_read: Mapping[str, str]
) -> WrittenRecord:
    """Append it beside one copy. `as_read` are the digests of the records it was judged by. OSError (EROFS on a drive
    that takes nothing, EBUSY where somebody else is at work), UntrustedInput, ValueError: nothing was written then."""
    if volume.read_only or not os.access(path, os.W_OK):
        raise OSError(errno.EROFS, "the drive is read-only")
    handle = io.open_root(path)
    try:
        if not try_lock(io, handle):
            raise OSError(errno.EBUSY, "another offload or verify is at work on it")
        medium = MediumAccess(io, volume.way, volume.source)
        return append_record(io, handle, header, signer=signer, as_read=as_read, medium=medium)
    finally:
        with contextlib.suppress(OSError):
            io.close(handle)


def remember_acceptance(
    ledger: Ledger, path: bytes, volume: Volume, header: AcceptHeader, record: WrittenRecord
) -> None:
    """Tell the ledger that the chain is longer now. Raises LedgerProblem."""
    note = RecordNote(
        name=record.name,
        sequence=record.sequence,
        kind="accept",
        sha256=record.sha256,
        previous_sha256=record.previous_sha256,
        written_at=header.written_at,
        person=Person(header.by.name, header.by.role),
        station=station_id(),
        detail=f"accepted: {', '.join(each.name for each in header.accepted)}: {header.reason}",
    )
    folder = place_on(volume, path)
    for known in ledger.copies_on(DriveIdentity.of(volume)):
        if known.folder == folder:
            ledger.remember_record(known.id, note)
