"""XML sidecars and card indexes: well-formed, and the clips they name."""

from __future__ import annotations

from dataclasses import dataclass

from rollproof.media.problems import FileHealth, health
from rollproof.media.source import Source


@dataclass(frozen=True, slots=True)
class SidecarXml:
    """What an XML file on a card says.

    `references`: every value that looks like the name of a file (`./CLIP/A003C001.MP4`), as written, without doubles,
    in order. `clip_names`: contents of elements and attributes that name a clip. Both bounded, both untrusted text.
    """

    health: FileHealth
    references: tuple[str, ...] = ()
    clip_names: tuple[str, ...] = ()


def read_sidecar(source: Source) -> SidecarXml:
    """Read an XML file: bounded, no entities, nothing fetched. Never raises anything but OSError of the medium."""
    return SidecarXml(health("XML", [], unknown="not looked at"))
