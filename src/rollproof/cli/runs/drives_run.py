"""Asks the drives workflow with what the production file names."""

from __future__ import annotations

import os

from rollproof.drives.system import system_drives
from rollproof.ledger.station_file import FILE_NAME
from rollproof.models.volumes import Volume
from rollproof.production.load import find, load
from rollproof.station.known_drives import which_drive_if_any
from rollproof.station.ledger import StationLedger
from rollproof.storage.station import station_home
from rollproof.workflows.drives import DrivesResult, list_drives


def attached_drives(production_file: bytes | None, *, everything: bool = False) -> DrivesResult:
    """The attached volumes, with the roles that the production file gives (the one named, else the one found).

    Raises ProductionFileProblem.
    """
    path = find(b".", production_file)
    production = None
    if path is not None:
        production = [
            (drive.role, None if drive.path is None else os.fsencode(drive.path), drive.volume, drive.system_disk)
            for drive in load(path).drives
        ]
    with StationLedger() as station:
        told = station if (station_home() / FILE_NAME).exists() else None

        def known(volume: Volume) -> str:
            return which_drive_if_any(volume, told) if told is not None else ""

        return list_drives(system_drives(), production, everything=everything, known=known)
