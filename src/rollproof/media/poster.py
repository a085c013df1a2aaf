"""One picture of a clip, on request, for a person to recognise it."""

from __future__ import annotations

from rollproof.media.containers import HEAD_BYTES, container_for
from rollproof.media.problems import CannotSay
from rollproof.media.reader.input import FORMATS
from rollproof.media.source import Source, TooMuch


def poster(source: Source, name: bytes, *, wide: int = 320) -> bytes | None:
    """A PNG of at most `wide` pixels width from near the beginning of a clip, or None where none can be had.

    Decodes pictures, in a process of their own (`reader.process`), so it is for whoever asked for it, outside every
    proof. Reads only through `source` (for which the caller allows enough reads). Never raises; without PyAV there are
    no pictures.
    """
    from rollproof.media.reader.process import readers  # noqa: PLC0415 - only where a picture is wanted

    try:
        container = container_for(source.at(0, HEAD_BYTES), name)
        if container is None or container.name not in FORMATS:
            return None
        return readers().poster(source, container.name, wide)
    except (CannotSay, ModuleNotFoundError, TooMuch, OSError, ArithmeticError, LookupError, ValueError):
        return None
