"""The `Io` of the operating system that this runs on."""

from __future__ import annotations

import sys

from rollproof.storage.io import Io


def system_io() -> Io:
    """The implementation for this operating system; where it bounds how many files may be open, that is raised."""
    if sys.platform == "win32":
        from rollproof.storage.windows import WindowsIo  # noqa: PLC0415

        return WindowsIo()
    if sys.platform == "darwin":
        from rollproof.storage.macos import MacosIo  # noqa: PLC0415
        from rollproof.storage.posix import allow_open_files  # noqa: PLC0415

        allow_open_files()
        return MacosIo()
    from rollproof.storage.posix import LinuxIo, allow_open_files  # noqa: PLC0415

    allow_open_files()
    return LinuxIo()
