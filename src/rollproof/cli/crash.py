"""A mistake of ours: written down for whoever mends it, out of the sight of whoever has a card in hand."""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence

from rollproof import __version__
from rollproof.models.names import inert
from rollproof.storage.files import write_new
from rollproof.storage.system import system_io

_FOLDER = b"crashes"


def write_crash_file(trace: str, arguments: Sequence[str], environ: Mapping[str, str]) -> str | None:
    """Write the traceback below ROLLPROOF_HOME, or in the temporary folder; returns the path, None if neither works.

    The file holds the command line and so the names of folders, but no content of any file.
    """
    head = [
        f"rollproof {__version__}, Python {sys.version.split()[0]}, {platform.platform()}",
        f"command: {list(arguments)!r}",
        "",
    ]
    text = "\n".join(inert(line) for line in [*head, *trace.splitlines()]) + "\n"
    name = f"crash-{time.strftime('%Y-%m-%dT%H%M%SZ', time.gmtime())}-{os.getpid()}.txt".encode()
    home = environ.get("ROLLPROOF_HOME")
    for top in filter(None, (home, tempfile.gettempdir())):
        folder = os.fsencode(top) + (b"/" + _FOLDER if top == home else b"")
        try:
            return _write(folder, name, text.encode("utf-8", "backslashreplace"))
        except OSError:
            continue
    return None


def _write(folder: bytes, name: bytes, data: bytes) -> str:
    os.makedirs(folder, mode=0o700, exist_ok=True)
    io = system_io()
    handle = io.open_root(folder)
    try:
        write_new(io, handle, name, [data])
    finally:
        io.close(handle)
    return os.fsdecode(folder + b"/" + name)
