"""`/proc/self/mountinfo`, read as bytes: which mount holds a path (proc_pid_mountinfo(5))."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

_ESCAPE = re.compile(rb"\\([0-3][0-7]{2})")


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of mountinfo. `device` is (major, minor) of the file system's superblock; `root` is the folder within
    the file system that is mounted (not `/` for a bind mount or a subvolume); `options` joins the mount's own and the
    file system's."""

    mount_id: int
    parent_id: int
    device: tuple[int, int]
    root: bytes
    mount_point: bytes
    options: frozenset[str]
    file_system: str
    source: bytes
    read_only: bool


def unescape(field: bytes) -> bytes:
    r"""Undo the kernel's octal escapes (`\040` for a space, `\134` for a backslash)."""
    return _ESCAPE.sub(lambda match: bytes([int(match.group(1), 8)]), field)


def parse(text: bytes) -> list[Mount]:
    """Every well-formed line, in the kernel's order; a line that is not is left out."""
    return [mount for line in text.split(b"\n") if (mount := _parse_line(line)) is not None]


def _parse_line(line: bytes) -> Mount | None:
    fields = line.split(b" ")
    try:
        # optional fields end with a lone hyphen; they start after the sixth field
        hyphen = fields.index(b"-", 6)
        major, minor = fields[2].split(b":")
        own = fields[5].decode("utf-8", "backslashreplace").split(",")
        file_system, source = fields[hyphen + 1], fields[hyphen + 2]
        super_options = fields[hyphen + 3].decode("utf-8", "backslashreplace").split(",")
        return Mount(
            mount_id=int(fields[0]),
            parent_id=int(fields[1]),
            device=(int(major), int(minor)),
            root=unescape(fields[3]),
            mount_point=unescape(fields[4]),
            options=frozenset(own) | frozenset(super_options),
            file_system=unescape(file_system).decode("utf-8", "backslashreplace"),
            source=unescape(source),
            read_only="ro" in own or "ro" in super_options,
        )
    except (ValueError, IndexError):
        return None


def is_at_or_below(path: bytes, folder: bytes) -> bool:
    """Whether an absolute path is the folder or lies in it, by whole components."""
    return path == folder or path.startswith(folder if folder.endswith(b"/") else folder + b"/")


def mount_of(mounts: Iterable[Mount], path: bytes) -> Mount | None:
    """The mount with the longest mount point that holds a real, absolute path; of several on one spot the last, which
    covers the others."""
    best: Mount | None = None
    for mount in mounts:
        if is_at_or_below(path, mount.mount_point) and (
            best is None or len(mount.mount_point) >= len(best.mount_point)
        ):
            best = mount
    return best


def strictly_below(mounts: Sequence[Mount], folder: bytes) -> list[bytes]:
    """Mount points strictly below a folder, each once, in byte order."""
    return sorted({m.mount_point for m in mounts if m.mount_point != folder and is_at_or_below(m.mount_point, folder)})
