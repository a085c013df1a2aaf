"""Is this file whole? One function for every kind of file on a card."""

from __future__ import annotations

from rollproof.media.problems import FileHealth, Problem, health
from rollproof.media.source import Source

__all__ = ["FileHealth", "Problem", "examine"]


def examine(source: Source, name: bytes) -> FileHealth:
    """Look into one file's structure. `name` (a path or a bare name) only says which kind to expect.

    Never raises anything but OSError of the medium.
    """
    return health("", [], unknown="no check for this kind of file")
