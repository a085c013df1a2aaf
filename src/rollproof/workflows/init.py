"""`rollproof init`: a commented production file to fill in."""

from __future__ import annotations

import os

from rollproof.models.errors import CouldNotFinish, ProductionFileProblem, Refused, UsageProblem
from rollproof.models.findings import Kind, error
from rollproof.models.names import inert, is_text, shown
from rollproof.production.load import FILE_NAME, parse
from rollproof.production.model import MAX_TEXT
from rollproof.production.template import SCENARIO, template
from rollproof.storage.files import exists, write_new
from rollproof.storage.io import Io
from rollproof.storage.system import system_io


def init_production(folder: bytes, name: str | None, io: Io | None = None) -> bytes:
    """Write `production.toml` into an existing folder; returns its path.

    Without a name the production is called like the folder. Raises Refused when there is such a file already (nothing
    is ever overwritten), UsageProblem when there is no such folder or the name cannot be one, CouldNotFinish when the
    file could not be written.
    """
    io = io if io is not None else system_io()
    text = _text(folder, name)
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


def _text(folder: bytes, name: str | None) -> str:
    if name is None:
        own = os.path.basename(os.path.abspath(folder))
        # what the folder is called is only a proposal: where it cannot be a name, the example's stands
        text = template(own.decode()) if own and is_text(own) else template()
        return text if _is_good(text) else template(SCENARIO)
    text = template(name)
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
