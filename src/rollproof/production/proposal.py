"""The attached drives as blocks of a production file, roles to be filled in."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rollproof.models.names import inert, is_text, to_text
from rollproof.models.volumes import Volume
from rollproof.production.template import quoted


def drive_blocks(volumes: Sequence[Volume], taken: Collection[str] = ()) -> str:
    """A `[[drives]]` block for each volume that can be named; empty when there is none. `taken` are roles in use.

    The blocks load as they are. A role in them is a number to be replaced by a word.
    """
    used = {role.casefold() for role in taken}
    blocks: list[str] = []
    number = 0
    for volume in volumes:
        path = quoted(to_text(volume.mount_point)) if is_text(volume.mount_point) else None
        if path is None and volume.serial is None:
            continue
        number += 1
        while f"drive {number}" in used:
            number += 1
        lines = [
            "[[drives]]",
            f"# {_words(volume)}",
            f'role = "drive {number}"  # fill in: primary, backup, shuttle, archive or any other word',
        ]
        lines += [f"path = {path}"] if path is not None else []
        lines += [f"volume = {quoted(inert(volume.serial))}"] if volume.serial is not None else []
        blocks.append("\n".join(lines) + "\n")
    return "\n".join(blocks)


def _words(volume: Volume) -> str:
    """One comment line: what a person can hold against the drive on the table."""
    label = f'"{inert(volume.label)}", ' if volume.label else ""
    size = f"{volume.capacity_bytes / 1e9:,.1f} GB"
    device = inert(volume.device.label or volume.device.node or "a device that could not be told")
    return f"{label}{inert(volume.file_system)}, {size}, on {device}"
