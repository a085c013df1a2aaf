"""Reading what the programs of an operating system answered: mappings whose values are of any kind, or missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rollproof.models.names import inert

Answer = Mapping[str, Any]
"""One object of a property list or of JSON."""


def text(answer: Answer, *keys: str) -> str:
    """The first of the values that is a text and not empty, inert and stripped; empty when none is."""
    for key in keys:
        value = answer.get(key)
        if isinstance(value, str) and value.strip():
            return inert(value.strip())
    return ""


def number(answer: Answer, *keys: str) -> int | None:
    """The first of the values that is a whole number above zero; None when none is."""
    for key in keys:
        value = answer.get(key)
        if isinstance(value, int) and not isinstance(value, bool) and value > 0:
            return value
    return None


def entries(answer: Answer, key: str) -> list[Answer]:
    """The mappings in a list value; a single mapping counts as a list of one, anything else as empty."""
    value = answer.get(key)
    if isinstance(value, dict):
        return [value]
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def texts(answer: Answer, key: str) -> list[str]:
    """The texts in a list value; a single text counts as a list of one, anything else as empty."""
    value = answer.get(key)
    if isinstance(value, str):
        return [value]
    return [entry for entry in value if isinstance(entry, str)] if isinstance(value, list) else []
