"""One picture of a clip, on request, for a person to recognise it."""

from __future__ import annotations

from rollproof.media.source import Source


def poster(source: Source, name: bytes, *, wide: int = 320) -> bytes | None:
    """A PNG of at most `wide` pixels width from near the beginning of a clip, or None where none can be had.

    Reads only through `source`. Never raises anything but OSError of the medium.
    """
    return None
