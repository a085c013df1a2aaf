"""`rollproof init`: a commented production file to fill in."""

from __future__ import annotations

import os
from dataclasses import dataclass

from rollproof.card.likeness import looks_like_a_card
from rollproof.drives.interface import Drives
from rollproof.drives.system import system_drives
from rollproof.drives.system_place import is_one_of, own_volumes
from rollproof.models.errors import CouldNotFinish, ProductionFileProblem, Refused, UsageProblem
from rollproof.models.findings import Kind, error
from rollproof.models.names import inert, is_text, shown
from rollproof.models.volumes import Volume
from rollproof.production.load import FILE_NAME, load, parse
from rollproof.production.model import MAX_TEXT, Production
from rollproof.production.proposal import drive_blocks
from rollproof.production.template import SCENARIO, template
from rollproof.storage.files import exists, write_new
from rollproof.storage.io import Io
from rollproof.storage.system import system_io


@dataclass(frozen=True, slots=True)
class NewProduction:
    """What came of it. `path` is the file that was written, None where there was one already; `drives` are the blocks
    of the attached drives, in the file or to be put into the one that is there."""

    path: bytes | None
    drives: str


def propose_production(
    folder: bytes, name: str | None, io: Io | None = None, drives: Drives | None = None
) -> NewProduction:
    """Write `production.toml` with the attached drives proposed; where there is one already, only propose those that
    it does not name. Raises as `init_production`; Refused where there is a file, and no drive to propose."""
    io = io if io is not None else system_io()
    volumes = attached_drives(drives if drives is not None else system_drives())
    path = os.path.join(folder, FILE_NAME)
    there = _there(path)
    if there is not None:
        known = {_plain(identity) for drive in there.drives for identity in drive.volume}
        places = {os.path.realpath(drive.path) for drive in there.drives if drive.path is not None}
        new = [
            volume
            for volume in volumes
            if _plain(volume.serial or "-") not in known
            and not any(os.path.realpath(os.fsdecode(volume.mount_point)) == place for place in places)
        ]
        blocks = drive_blocks(new, [drive.role for drive in there.drives])
        if blocks:
            return NewProduction(None, blocks)
    blocks = drive_blocks(volumes)
    return NewProduction(init_production(folder, name, io, blocks), blocks)


def _there(path: bytes) -> Production | None:
    """The production file that is there; None where there is none, or none that can be read."""
    try:
        return load(path) if os.path.isfile(path) else None
    except ProductionFileProblem:
        return None


def attached_drives(drives: Drives) -> list[Volume]:
    """The attached volumes that copies may go to: none of this computer's own, none that is read-only, no card, each
    file system once. A volume that does not answer is left out."""
    own = own_volumes(drives)
    found: list[Volume] = []
    for volume in drives.volumes():
        if volume.read_only or not volume.capacity_bytes or is_one_of(volume, [*own, *found]):
            continue
        if not looks_like_a_card(volume.mount_point):
            found.append(volume)
    return found


def _plain(identity: str) -> str:
    return "".join(letter for letter in identity.casefold() if letter not in "-: {}")


def init_production(folder: bytes, name: str | None, io: Io | None = None, drives: str = "") -> bytes:
    """Write `production.toml` into an existing folder; returns its path.

    Without a name the production is called like the folder. `drives` are blocks that take the place of the examples.
    Raises Refused when there is such a file already (nothing is ever overwritten), UsageProblem when there is no such
    folder or the name cannot be one, CouldNotFinish when the file could not be written.
    """
    io = io if io is not None else system_io()
    text = _text(folder, name, drives)
    path = os.path.join(folder, FILE_NAME)
    try:
        handle = io.open_root(folder)
    except (FileNotFoundError, NotADirectoryError):
        raise UsageProblem(f"there is no folder {shown(folder)}", hint="make the folder first") from None
    except (OSError, ValueError) as failure:
        raise CouldNotFinish(f"the folder {shown(folder)} cannot be opened: {_said(failure)}") from None
    try:
        if exists(io, handle, FILE_NAME) is not None:
            raise FileExistsError
        write_new(io, handle, FILE_NAME, [text.encode("utf-8")])
    except FileExistsError:
        finding = error(
            Kind.DIFFERENT_CONTENT,
            f"there is already {shown(path)}; it stays as it is",
            path=FILE_NAME.decode(),
            remedy="edit that file, or move it away first",
        )
        raise Refused("nothing was written", [finding], hint=finding.remedy) from None
    except OSError as failure:
        raise CouldNotFinish(
            f"{shown(path)} could not be written: {_said(failure)}", hint="check space and permissions in the folder"
        ) from None
    finally:
        io.close(handle)
    return path


def _text(folder: bytes, name: str | None, drives: str) -> str:
    if name is None:
        own = os.path.basename(os.path.abspath(folder))
        # what the folder is called is only a proposal: where it cannot be a name, the example's stands
        text = template(own.decode(), drives=drives) if own and is_text(own) else template(drives=drives)
        return text if _is_good(text) else template(SCENARIO, drives=drives)
    text = template(name, drives=drives)
    if not _is_good(text):
        raise UsageProblem(
            f'a production cannot be called "{inert(name[:80])}"',
            hint=f"take up to {MAX_TEXT} characters without line breaks, and no space at either end",
        )
    return text


def _is_good(text: str) -> bool:
    """Whether the file that is about to be written can be read again."""
    try:
        parse(text.encode("utf-8", "surrogatepass"))
    except ProductionFileProblem:
        return False
    return True


def _said(error: OSError | ValueError) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)
