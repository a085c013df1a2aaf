"""`NOT-FINISHED.rollproof-partial`: stands in a roll folder until its record is down and every file is there.

A file manager shows it, a person can read it, and the next run learns from it which files an earlier run distrusts.
One JSON object on each line: the first says who is at work, each further one names a suspect file.
"""

from __future__ import annotations

import binascii
import errno
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from rollproof.models.names import MARKER_NAME, from_record, is_safe_relative, is_text, to_base64, to_text
from rollproof.models.tree import FileEntry
from rollproof.storage.files import read_small, write_all
from rollproof.storage.io import Io

_LIMIT_BYTES = 64 << 20
_MAX_SUSPECTS = 200_000
"""As many files as a large card holds; each costs some 300 bytes here."""
_LINE = re.compile(rb"[^\n]{7,}")
"""No line that is shorter says anything."""
_WORDS = (
    "This roll is not finished. Do not format its card. Run the same offload again;"
    " it goes on where it stopped and removes this file at the end."
)


@dataclass(frozen=True, slots=True)
class Marker:
    """What a marker says. Nothing of it is evidence: `suspects` only lead to a fresh copy beside the suspect.

    `suspects` are paths with the size and modification time under which this tool wrote them: a file that looks
    otherwise is not the one that is meant, and is never touched.
    """

    host: str = ""
    card_serial: str | None = None
    card_session: str | None = None
    """What tells the card while it has not been away; for cards without a serial."""
    suspects: Mapping[bytes, tuple[int, int]] = field(default_factory=dict)


def write_marker(
    io: Io, roll_folder: int, *, host: str, card_serial: str | None, card_session: str | None = None
) -> None:
    """Create the marker, or add this run to the one that stands there; flushed, and the folder too."""
    line = {"not_finished": _WORDS, "host": host, "card_serial": card_serial, "card_session": card_session}
    _append(io, roll_folder, [line], create=True)
    io.flush(roll_folder)


def add_suspects(io: Io, roll_folder: int, files: Iterable[FileEntry]) -> None:
    """Note files that must not be trusted, as they were written; flushed. OSError when the drive does not take it."""
    lines: list[dict[str, Any]] = []
    for entry in files:
        line: dict[str, Any] = {"suspect": to_text(entry.path)}
        if not is_text(entry.path):
            line["suspect_b64"] = to_base64(entry.path)
        line |= {"size": entry.size, "modified_ns": entry.modified_ns}
        lines.append(line)
    if lines:
        _append(io, roll_folder, lines, create=True)


def read_marker(io: Io, roll_folder: int) -> Marker | None:
    """What the marker says, or None when there is none. Lines that make no sense are passed over."""
    try:
        content = read_small(io, roll_folder, MARKER_NAME, limit=_LIMIT_BYTES)
    except FileNotFoundError:
        return None
    except OSError:
        return Marker()
    host, serial, session = "", None, None
    suspects: dict[bytes, tuple[int, int]] = {}
    for line in _lines(content):
        if len(suspects) >= _MAX_SUSPECTS:
            break
        try:
            found = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if not isinstance(found, dict):
            continue
        if isinstance(found.get("host"), str):
            host = found["host"]
        if isinstance(found.get("card_serial"), str):
            serial = found["card_serial"]
        if isinstance(found.get("card_session"), str):
            session = found["card_session"]
        path = _suspect(found)
        if path is not None:
            suspects[path] = found["size"], found["modified_ns"]
    return Marker(host, serial, session, suspects)


def _lines(content: bytes) -> Iterator[bytes]:
    """One line at a time: a hostile marker of nothing but line ends must not become a list of them."""
    return (found.group() for found in _LINE.finditer(content))


def _suspect(found: dict[str, Any]) -> bytes | None:
    text, coded = found.get("suspect"), found.get("suspect_b64")
    if not isinstance(text, str) or not (coded is None or isinstance(coded, str)):
        return None
    if type(found.get("size")) is not int or type(found.get("modified_ns")) is not int:
        return None
    try:
        path = from_record(text, coded)
    except (ValueError, binascii.Error):
        return None
    return path if is_safe_relative(path) else None


def remove_marker(io: Io, roll_folder: int) -> None:
    """Take the marker away: the record is down and every file is there. The folder is flushed."""
    io.remove(MARKER_NAME, roll_folder)
    io.flush(roll_folder)


def _append(io: Io, roll_folder: int, lines: list[dict[str, Any]], *, create: bool) -> None:
    data = b"".join(json.dumps(line).encode("ascii") + b"\n" for line in lines)
    handle = io.open_append(MARKER_NAME, roll_folder, create=create)
    try:
        found = io.fstat(handle)
        if found.links > 1:
            # somebody else's file under a second name: what is appended here would be written there
            raise OSError(errno.EMLINK, "the marker of the unfinished roll is a second name of another file")
        before = found.size
        # a power cut may have torn the last line: it must not swallow the next one
        write_all(io, handle, b"\n" + data if before else data, before)
        io.flush(handle)
    finally:
        io.close(handle)
