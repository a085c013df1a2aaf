"""Names are bytes inside the house; this is the only place that turns them into text and back.

A relative path is `bytes`, `/`-separated, exactly as found on the card.
"""

from __future__ import annotations

import base64
import os
import re
import unicodedata

PARTIAL_SUFFIX = b".rollproof-partial"
MARKER_NAME = b"NOT-FINISHED.rollproof-partial"
RECORDS_FOLDER = b"rollproof"
ASCMHL_FOLDER = b"ascmhl"

ACTING = (
    "\x00-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff"
    "\U000e0000-\U000e0fff"
)
"""Characters that can move a cursor, hide text or turn it around, as ranges for a character class: C0, DEL, C1, bidi
and zero-width controls, line and paragraph separators, lone surrogates, BOM."""

ORDINARY = re.compile(rb"[ -~]*")
"""Names as nearly all are: printable ASCII, in which nothing needs a closer look."""

_INERT = re.compile(f"[{ACTING}]")


def to_text(name: bytes) -> str:
    """Text for people; bytes that are not UTF-8 appear as `\\xNN`. Lossy: never turn it back."""
    return name.decode("utf-8", "backslashreplace")


def is_text(name: bytes) -> bool:
    """Whether the name is valid UTF-8, so that text alone identifies it."""
    try:
        name.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def to_base64(name: bytes) -> str:
    """The exact form for records (`path_b64`)."""
    return base64.b64encode(name).decode("ascii")


def from_record(path: str, path_b64: str | None) -> bytes:
    """The bytes a record means. Raises ValueError for text that is neither."""
    if path_b64 is not None:
        return base64.b64decode(path_b64, validate=True)
    return path.encode("utf-8")


def inert(text: str) -> str:
    """The same text with every control, bidi and surrogate character replaced by a visible escape.

    Whatever came from a card, a drive or a manifest goes through here before it reaches a screen.
    """
    return _INERT.sub(lambda match: f"\\u{{{ord(match.group()):x}}}", text)


def shown(name: bytes) -> str:
    """A name as it may be printed."""
    return inert(to_text(name))


def is_safe_relative(path: bytes) -> bool:
    """Whether the path stays inside the folder it is joined to, on every system.

    Refuses empty paths, absolute ones, empty, `.` and `..` components, and NUL. On Windows, a drive letter, a
    backslash or a colon too: there they would lead elsewhere.
    """
    if not path or b"\0" in path or path.startswith(b"/"):
        return False
    if os.sep == "\\" and (b"\\" in path or b":" in path):
        return False
    if b"/." not in path and b"//" not in path and not path.startswith(b".") and not path.endswith(b"/"):
        return True  # (nearly every path there is: no component is empty or begins with a dot)
    return all(part not in (b"", b".", b"..") for part in path.split(b"/"))


def collision_key(name: bytes) -> str:
    """Two names with one key may be one name to a drive that ignores case or Unicode form."""
    if name.isascii():
        return name.decode("ascii").lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", to_text(name)).casefold())
