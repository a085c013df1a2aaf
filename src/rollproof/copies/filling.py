"""A drive that lacks rolls: the sentence, and the command that copies them there from a copy on another drive."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from dataclasses import dataclass

from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.names import collision_key, inert, is_text, shown, to_text

_NAMED = 6
"""Rolls that are said by name; the rest are counted."""
_LISTED = 8
"""Copies that a command names one by one; beyond, it names the folder that holds them all."""


@dataclass(frozen=True, slots=True)
class Filling:
    """A roll that a drive lacks, and a copy of it. `path` is None where no proven copy is at hand.

    `base` is the folder for the production's copies on the drive that the copy lies on.
    """

    roll: str
    path: bytes | None = None
    base: bytes = b""
    production: str | None = None


def lack_finding(drive: str, severity: Severity, rolls: Sequence[Filling], known: int, base: bytes) -> Finding:
    """The finding for a drive that lacks these of the `known` rolls; `base` is the folder for copies on it."""
    names = [inert(each.roll) for each in rolls]
    more = f" and {len(names) - _NAMED:,} more" if len(names) > _NAMED else ""
    said = ", ".join(names[:_NAMED]) + more
    which = f"roll {said}" if len(names) == 1 else f"{len(names):,} of {known:,} rolls: {said}"
    return Finding(
        Kind.NOT_ON_DRIVE, severity, "", f"the drive {drive} lacks {which}", drive, _remedy(rolls, base), len(names)
    )


def _remedy(rolls: Sequence[Filling], base: bytes) -> str:
    at_hand = [each for each in rolls if each.path is not None]
    command = fill_command(rolls, base)
    if not at_hand:
        return "attach a drive that has a proven copy, and audit them together: that gives the command to copy it"
    if not command:
        return "copy them there from a proven copy, with rollproof offload"
    rest = [inert(each.roll) for each in rolls if each.path is None]
    also = f" (of {', '.join(rest[:_NAMED])} no proven copy is at hand)" if rest else ""
    return f"{command}{also}"


def fill_command(rolls: Sequence[Filling], base: bytes) -> str:
    """The commands that copy these rolls below `base`, as they are typed; empty where there is no copy at
    hand, or a name is no plain text."""
    by_target: dict[tuple[bytes, bytes], list[Filling]] = {}
    for each in rolls:
        if each.path is None:
            continue
        by_target.setdefault((each.base, os.path.join(base, _above(each)).rstrip(b"/")), []).append(each)
    lines = []
    for (_, target), group in by_target.items():
        words = [*_sources(group), b"--to", target or b"/"]
        if not all(is_text(word) and shown(word) == to_text(word) for word in words):
            return ""
        line = shlex.join(["rollproof", "offload", *map(to_text, words)])
        lines.append(line if os.path.isdir(target) else f"mkdir -p {shlex.quote(to_text(target))} && {line}")
    return " && ".join(lines)


def _parts(each: Filling) -> tuple[list[bytes], int]:
    """The folders from the base to the copy, and where those begin that an offload of the copy keeps: at the
    production's, else at the copy's own."""
    parts = os.path.relpath(each.path or b"", each.base).split(b"/")
    keys = [collision_key(part) for part in parts]
    production = collision_key((each.production or "").encode("utf-8", "surrogateescape"))
    return parts, keys.index(production) if production and production in keys else len(parts) - 1


def _above(each: Filling) -> bytes:
    parts, start = _parts(each)
    return b"/".join(parts[:start])


def _sources(group: Sequence[Filling]) -> list[bytes]:
    paths = list(dict.fromkeys(each.path or b"" for each in group))
    if len(paths) <= _LISTED:
        return paths
    folders = set()
    for each in group:
        parts, start = _parts(each)
        if start == len(parts) - 1:
            return paths  # the folder above them is kept by no offload
        folders.add(os.path.join(each.base, *parts[: start + 1]))
    return sorted(folders)
