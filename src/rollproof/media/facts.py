"""What a clip says about itself, for people: helpful, never needed for a proof."""

from __future__ import annotations

import struct

from rollproof.media import tiff, wav
from rollproof.media.containers import HEAD_BYTES, container_for
from rollproof.media.facts_model import Facts
from rollproof.media.problems import CannotSay, Failure, LibraryFailed
from rollproof.media.reader.input import FORMATS
from rollproof.media.source import Source, TooMuch

__all__ = ["Facts", "read_facts"]

NOT_INSTALLED = "facts of pictures need the extra: pip install 'rollproof[media]'"
NOT_WORKING = "facts of pictures are not known: the media library does not work here"
FAILED_OVER = "facts of pictures are not known: the media library failed over them"
NOT_ASKED = "facts of pictures are not known: the media library failed too often, and is not asked any more"
NOT_READABLE = "facts could not be read"
"""Reasons in a `note`; the last blames the file, those before it do not."""

_NOTHING_KNOWN = "nothing is known of this kind of file"
_LIBRARY = {Failure.AT_ALL: NOT_WORKING, Failure.OVER_IT: FAILED_OVER, Failure.TOO_OFTEN: NOT_ASKED}


def read_facts(source: Source, name: bytes) -> Facts:
    """The facts of one file. `name` only says which kind to expect. Failure is a `note`, never an exception.

    Reads only through `source`: no path is opened and no reference in the file is followed. WAV, TIFF and DNG files are
    read by our own readers, everything else by PyAV, where it is installed, in a process of its own
    (`reader.process`).
    """
    try:
        container = container_for(source.at(0, HEAD_BYTES), name)
        if container is None:
            return Facts(note=_NOTHING_KNOWN)
        if container.name == wav.NAME:
            from rollproof.media.wav_facts import read_wav_facts  # noqa: PLC0415 - expat, only where a file asks for it

            return read_wav_facts(source)
        if container.name == tiff.NAME:
            from rollproof.media.tiff_facts import read_tiff_facts  # noqa: PLC0415 - only where a file asks for it

            return read_tiff_facts(source)
        if container.name not in FORMATS:
            return Facts(note=_NOTHING_KNOWN)
        from rollproof.media.reader.process import readers  # noqa: PLC0415 - only where a file asks for it

        return readers().facts(source, container.name)
    except ModuleNotFoundError:
        return Facts(note=NOT_INSTALLED)
    except LibraryFailed as trouble:
        return Facts(note=_LIBRARY[trouble.failure])
    except (CannotSay, TooMuch, OSError, ArithmeticError, LookupError, ValueError, struct.error):
        return Facts(note=NOT_READABLE)
