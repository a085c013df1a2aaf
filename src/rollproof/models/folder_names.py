"""Names that this tool gives to folders: they must work on every drive, whatever its file system.

(The names on a card are never judged by this: they are copied as they are.)
"""

from __future__ import annotations

import unicodedata

from rollproof.models.names import ASCMHL_FOLDER, PARTIAL_SUFFIX, RECORDS_FOLDER, inert

MAX_BYTES = 128
"""Leaves room in a component of 255 for what is added to a roll's name in the names of records and manifests."""

_FORBIDDEN = '/\\:*?"<>|'
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{device}{number}" for device in ("com", "lpt") for number in "0123456789¹²³"]
)
_OURS = frozenset((RECORDS_FOLDER.decode(), ASCMHL_FOLDER.decode()))


def folder_name_problem(text: str) -> str | None:
    """What keeps a text from being the name of one folder on every file system, as a phrase that follows "it"
    ("holds a slash"); None when nothing does."""
    if not text:
        return "is empty"
    try:
        size = len(text.encode("utf-8"))
    except UnicodeEncodeError:
        return "is not valid Unicode"
    if inert(text) != text:
        return "holds control characters"
    for letter in _FORBIDDEN:
        if letter in text:
            return f"holds {letter}"
    if size > MAX_BYTES:
        return f"is longer than {MAX_BYTES} bytes"
    if text != text.strip() or text.endswith("."):
        return "begins or ends with a space, or ends with a dot"
    if text.startswith(("-", ".", "~")):
        return f"begins with {text[0]}"
    if unicodedata.normalize("NFC", text) != text:
        return "is not in the composed Unicode form (NFC)"
    if text.partition(".")[0].rstrip().casefold() in _RESERVED:
        return "is reserved by Windows"
    if text.casefold() in _OURS or text.casefold().endswith(PARTIAL_SUFFIX.decode()):
        return "is used by rollproof itself"
    return None
