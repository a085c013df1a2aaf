"""Which volumes belong to the computer itself, and where systems mount what is plugged in.

The folders are facts of each operating system; which volume lies there is asked through `Drives`, so that the three
back ends and the machines of tests answer alike.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress

from rollproof.drives.interface import Drives
from rollproof.models.volumes import Volume

_MOUNT_ROOTS: Mapping[str, tuple[bytes, ...]] = {
    "linux": (b"/mnt", b"/media", b"/run/media", b"/var/run/media", b"/run/mount"),
    "macos": (b"/Volumes",),
    "windows": (),
}
"""Folders below which drives are mounted. On Windows a drive that is away leaves no folder behind."""

_SYSTEM_FOLDERS: Mapping[str, tuple[bytes, ...]] = {
    # /run is memory: an empty folder below /run/media would take footage that is gone with the power
    "linux": (b"/", b"/usr", b"/var", b"/run", b"/home"),
    "macos": (b"/", b"/System/Volumes/Data", b"/Users"),
    "windows": (),
}
"""Folders of the operating system and of its users, where each may lie on a volume of its own."""

_PLATFORMS = {"darwin": "macos", "win32": "windows"}


def _system(name: str) -> str:
    """The operating system behind a `Drives`; what a test calls itself runs on this one."""
    return name if name in _MOUNT_ROOTS else _PLATFORMS.get(sys.platform, "linux")


def mount_roots(name: str) -> tuple[bytes, ...]:
    """The folders below which this system mounts drives; `name` is that of the `Drives`."""
    return _MOUNT_ROOTS[_system(name)]


def system_folders(name: str, environ: Mapping[str, str] | None = None) -> tuple[bytes, ...]:
    """Folders on the volumes of the operating system and of the user's home, of whoever called `sudo` too."""
    environ = os.environ if environ is None else environ
    folders = list(_SYSTEM_FOLDERS[_system(name)])
    if _system(name) == "windows":
        folders.append(os.fsencode(environ.get("SystemDrive", "C:") + "\\"))
    homes = ["~", *(f"~{user}" for user in [environ.get("SUDO_USER", "")] if user)]
    folders += [os.fsencode(found) for home in homes if (found := os.path.expanduser(home)) != home]
    return tuple(dict.fromkeys(folders))


def _device_number(path: bytes) -> int:
    return os.stat(path).st_dev


def system_volumes(
    drives: Drives, folders: Iterable[bytes], number_of: Callable[[bytes], int] = _device_number
) -> list[Volume]:
    """The volumes that these folders lie on, each once. A folder that is not there is passed over."""
    found: dict[int, Volume] = {}
    for folder in folders:
        with suppress(OSError):
            number = number_of(folder)
            if number not in found:
                found[number] = drives.volume_of(folder)
    return list(found.values())


def own_volumes(drives: Drives, number_of: Callable[[bytes], int] = _device_number) -> list[Volume]:
    """This computer's own volumes: those of its system and of its users, and memory in which it keeps the folders
    that drives are mounted on. What is mounted as a drive, memory too, is none of them."""
    own = system_volumes(drives, system_folders(drives.name), number_of)
    holding = system_volumes(drives, mount_roots(drives.name), number_of)
    return own + [volume for volume in holding if volume.device.kind == "memory" and not is_one_of(volume, own)]


def is_same_volume(one: Volume, other: Volume) -> bool:
    """Whether two answers speak of one volume, also through a bind mount or another part (subvolume) of it."""
    if None not in (one.serial, other.serial, one.device.key, other.device.key):
        return (one.serial, one.device.key) == (other.serial, other.device.key)
    return one.st_dev == other.st_dev


def is_one_of(volume: Volume, others: Sequence[Volume]) -> bool:
    """Whether a volume is one of these."""
    return any(is_same_volume(volume, other) for other in others)


def is_at_or_below(path: bytes, folders: Iterable[bytes]) -> bool:
    """Whether a path lies at or below one of these folders, as written or by where it really leads."""
    paths = _forms(path)
    return any(_holds(above, each) for folder in folders for above in _forms(folder) for each in paths)


def _forms(path: bytes) -> tuple[bytes, ...]:
    return tuple(dict.fromkeys((os.path.abspath(path), os.path.realpath(path))))


def _holds(above: bytes, path: bytes) -> bool:
    separator = os.fsencode(os.sep)
    return path == above or path.startswith(above.rstrip(separator) + separator)
