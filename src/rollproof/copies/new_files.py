"""Files that a person asked for (`--out`): never over another file, never into a recorded roll."""

from __future__ import annotations

import os
from collections.abc import Iterable

from rollproof.models.errors import CouldNotFinish, UsageProblem
from rollproof.models.names import shown
from rollproof.storage.files import write_new
from rollproof.storage.io import Io


def check_new_file(wanted: bytes) -> None:
    """UsageProblem when the file cannot go there: something is there already, or there is no folder. Said before
    anything else is done."""
    if os.path.lexists(wanted):
        raise UsageProblem(
            f"{shown(wanted)} is there already and is left as it is", hint="name another file: --out FILE"
        )
    if not os.path.isdir(os.path.dirname(wanted) or b"."):
        raise UsageProblem(
            f"there is no folder for {shown(wanted)}", hint="make the folder, or name another file: --out FILE"
        )


def check_outside(wanted: bytes, rolls: Iterable[bytes]) -> None:
    """UsageProblem when the file would lie inside a roll folder: it would be a file there that nobody recorded."""
    real = os.path.realpath(wanted)
    for roll in rolls:
        top = os.path.realpath(roll)
        if real == top or real.startswith(top.rstrip(b"/") + b"/"):
            raise UsageProblem(
                f"{shown(wanted)} lies in the roll folder {shown(roll)}, where every file is recorded",
                hint="name a place outside of the rolls: beside the roll folder, or on this computer",
            )


def put_new_file(io: Io, wanted: bytes, chunks: Iterable[bytes]) -> int:
    """Write the file, flushed, never over another; returns its size. OSError; whatever the pieces raise comes through,
    and nothing is left then."""
    folder, name = os.path.dirname(wanted) or b".", os.path.basename(wanted)
    handle = io.open_root(folder)
    try:
        size, _ = write_new(io, handle, name, chunks)
    finally:
        io.close(handle)
    return size


def could_not_write(wanted: bytes, why: str) -> CouldNotFinish:
    """The error for a file that could not be written, with the system's own words."""
    return CouldNotFinish(
        f"{shown(wanted)} could not be written ({why})", hint="look at the room there, or name another place: --out"
    )
