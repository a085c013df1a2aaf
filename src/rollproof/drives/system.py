"""The `Drives` of the operating system that this runs on."""

from __future__ import annotations

import sys

from rollproof.drives.interface import Drives


def system_drives() -> Drives:
    """The implementation for this operating system."""
    if sys.platform == "win32":
        from rollproof.drives.windows import WindowsDrives  # noqa: PLC0415

        return WindowsDrives()
    if sys.platform == "darwin":
        from rollproof.drives.macos import MacosDrives  # noqa: PLC0415

        return MacosDrives()
    from rollproof.drives.linux import LinuxDrives  # noqa: PLC0415

    return LinuxDrives()
