"""A command as a line that works when it is pasted into a shell, whatever bytes are in its paths."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable

from rollproof.models.names import inert


def command_line(words: Iterable[str | bytes]) -> str:
    """The words with what quotes they need: printable as it stands, and each word one word to a shell. Bytes that no
    screen shows are written as `$'\\xNN'`, as most shells read them."""
    return " ".join(_quoted(word) for word in words)


def _quoted(word: str | bytes) -> str:
    raw = word if isinstance(word, bytes) else os.fsencode(word)
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = ""
    if text and inert(text) == text:
        return shlex.quote(text)
    if not raw:
        return "''"
    return "$'" + "".join(chr(byte) if _is_plain(byte) else f"\\x{byte:02x}" for byte in raw) + "'"


def _is_plain(byte: int) -> bool:
    return 0x20 <= byte < 0x7F and byte not in b"'\\"
