"""Where the sheet for the courier's envelope goes, and what stands on it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from rollproof.models.custody_results import DriveOfCustody
from rollproof.models.errors import UsageProblem
from rollproof.models.names import RECORDS_FOLDER, inert, shown
from rollproof.records import clock
from rollproof.records.models import HandoverHeader
from rollproof.records.receipt import spelled
from rollproof.reports.custody_sheet import Sheet, SheetPart, SheetRoll, sheet_html
from rollproof.storage.files import write_new
from rollproof.storage.station import make_home, station_home
from rollproof.storage.system import system_io

SHEETS_FOLDER = "sheets"


def check_sheet(wanted: bytes | None) -> None:
    """UsageProblem when the sheet cannot go where it is wanted: something is there already, or there is no folder.
    Said before anything else is done."""
    if wanted is None:
        return
    if os.path.lexists(wanted):
        raise UsageProblem(
            f"{shown(wanted)} is there already and is left as it is", hint="name another file: --sheet FILE"
        )
    if not os.path.isdir(os.path.dirname(wanted) or b"."):
        raise UsageProblem(
            f"there is no folder for {shown(wanted)}", hint="make the folder, or name another: --sheet FILE"
        )


def write_sheet(
    wanted: bytes | None, drive: DriveOfCustody, headers: Sequence[HandoverHeader], fingerprint: str
) -> Path:
    """Write the page for these handovers of one drive, never over another file; returns where it lies.

    Without a wish it goes into the station's own folder: the working folder may be a card. OSError when it fails.
    """
    text = sheet_html(_content(drive, headers, fingerprint)).encode("utf-8")
    if wanted is not None:
        folder, name = os.path.dirname(wanted) or b".", os.path.basename(wanted)
        _put(folder, name, text)
        return Path(os.fsdecode(wanted))
    place = make_home(station_home()) / SHEETS_FOLDER
    place.mkdir(mode=0o700, exist_ok=True)
    named = drive.label or drive.path.rstrip("/").rpartition("/")[2] or "drive"
    label = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in named)[:60]
    first = f"handover_{label}_{clock.for_name(headers[0].written_at)}"
    for number in range(1, 1000):
        name_now = f"{first}.html" if number == 1 else f"{first}_{number}.html"
        try:
            _put(os.fsencode(place), name_now.encode("utf-8"), text)
        except FileExistsError:
            continue
        return place / name_now
    raise FileExistsError(f"too many sheets of one second: {place}")


def _put(folder: bytes, name: bytes, text: bytes) -> None:
    io = system_io()
    handle = io.open_root(folder)
    try:
        write_new(io, handle, name, [text])
    finally:
        io.close(handle)


def _content(drive: DriveOfCustody, headers: Sequence[HandoverHeader], fingerprint: str) -> Sheet:
    first = headers[0]
    return Sheet(
        drive=drive.label or drive.path,
        volume=drive.volume or "",
        device=drive.device,
        serial=drive.serial,
        capacity_bytes=drive.capacity_bytes,
        by=first.by.name,
        role=first.by.role,
        station=first.station.host,
        to=first.to,
        via=first.via,
        note=first.note,
        written_at=first.written_at,
        reread=first.checked == "reread",
        fingerprint=fingerprint,
        parts=tuple(_part(header) for header in headers),
    )


def _part(header: HandoverHeader) -> SheetPart:
    return SheetPart(
        production=header.production or "",
        receipt=header.receipt,
        spelled=tuple(spelled(header.receipt)),
        record_folder=f"{inert(header.production)}/{RECORDS_FOLDER.decode()}" if header.production else "rollproof",
        files=header.totals.files,
        size_bytes=header.totals.bytes,
        rolls=tuple(
            SheetRoll(line.roll, line.folder, line.files, line.bytes, line.state, line.looked_at_by)
            for line in header.rolls
        ),
    )
