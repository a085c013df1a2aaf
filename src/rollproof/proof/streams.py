"""Content that no listing shows: alternate data streams, resource forks, extended attributes. What does it mean?

They belong to a file or folder, have names of their own, and are never copied. Where a mount can show them:

| the part                                            | what follows                           |
|-----------------------------------------------------|----------------------------------------|
| holds 1 MiB or more                                 | keeps the card until accepted by name  |
| is larger than the system tells                     | keeps the card until accepted by name  |
| is media by its suffix or by its first bytes        | keeps the card until accepted by name  |
| anything else (where a file was downloaded from …)  | is told                                |

And where it cannot:

| file system                              | mount      | what can be said                           |
|------------------------------------------|------------|--------------------------------------------|
| FAT, exFAT, ISO 9660                     | any        | there are none                             |
| NTFS by the kernel of Linux (`ntfs3`)    | any        | they are not shown                         |
| HFS, HFS+, APFS by Linux                 | any        | they are not shown                         |
| NTFS, HFS, HFS+, APFS                    | shows none | they are not shown                         |
| any other                                | shows none | there are none: its mount would show them  |
| any other                                | shows them | they are looked for                        |
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

STREAM_BYTES = 1 << 20
"""A part of this size is no note about a file any more."""

_WITHOUT = frozenset(("vfat", "msdos", "exfat", "fuse.exfat", "iso9660"))
_WITH = frozenset(("ntfs", "ntfs3", "fuse.ntfs", "hfs", "hfsplus", "apfs", "fuse.apfs", "fuse.hfs"))
_NEVER_SHOWN_BY_LINUX = frozenset(("ntfs3", "hfs", "hfsplus", "apfs", "fuse.apfs", "fuse.hfs"))


@dataclass(frozen=True, slots=True)
class NamelessPart:
    """One such part: of which file or folder (empty: the top folder), its own name, its size in bytes (None: more than
    the system tells), and whether suffix or first bytes are those of media."""

    path: str
    name: str
    size_bytes: int | None
    media: bool = False

    @property
    def whole(self) -> str:
        """The name by which it is accepted."""
        return f"{self.path or '.'}:{self.name}"


class Sight(StrEnum):
    """What can be said of such parts on one mount."""

    NONE = "there are none"
    LOOKED_FOR = "they are looked for"
    NOT_SHOWN = "they are not shown"


def can_have(file_system: str) -> bool:
    """Whether the file system can hold such parts at all."""
    return file_system not in _WITHOUT


def sight(file_system: str, system: str, *, shown: bool) -> Sight:
    """What can be said on a mount; `system` is `Io.name`, `shown` whether its top folder could be asked."""
    if not can_have(file_system):
        return Sight.NONE
    if system == "linux" and file_system in _NEVER_SHOWN_BY_LINUX:
        return Sight.NOT_SHOWN
    if shown:
        return Sight.LOOKED_FOR
    return Sight.NOT_SHOWN if file_system in _WITH else Sight.NONE


def keeps(part: NamelessPart) -> bool:
    """Whether a part keeps the card until a person accepts it by name."""
    return part.media or part.size_bytes is None or part.size_bytes >= STREAM_BYTES
