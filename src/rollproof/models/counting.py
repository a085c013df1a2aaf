"""A number with its noun and its verb, as a sentence needs them: `1 file is`, `412 files are`."""

from __future__ import annotations


def count_of(count: int, one: str, many: str = "") -> str:
    """`1 file`, `1,412 files`; `many` where an s does not make the plural."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def count_are(count: int, one: str, many: str = "") -> str:
    """`1 file is`, `412 files are`."""
    return f"{count_of(count, one, many)} {'is' if count == 1 else 'are'}"


def count_were(count: int, one: str, many: str = "") -> str:
    """`1 file was`, `412 files were`."""
    return f"{count_of(count, one, many)} {'was' if count == 1 else 'were'}"
