"""Asks the drives workflow with what the production file names."""

from __future__ import annotations

import os

from rollproof.drives.interface import system_drives
from rollproof.production.load import find, load
from rollproof.workflows.drives import DrivesResult, list_drives


def attached_drives(production_file: bytes | None, *, everything: bool = False) -> DrivesResult:
    """The attached volumes, with the roles that the production file gives (the one named, else the one found).

    Raises ProductionFileProblem.
    """
    path = find(b".", production_file)
    production = None
    if path is not None:
        production = [
            (drive.role, None if drive.path is None else os.fsencode(drive.path), drive.volume)
            for drive in load(path).drives
        ]
    return list_drives(system_drives(), production, everything=everything)
