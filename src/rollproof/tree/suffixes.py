"""Which suffixes hold essence, and which only belong to some; lower case, without the dot.

Labels only: a suffix never decides whether a file is copied.
"""

from __future__ import annotations

MOVING = frozenset(b"mov mp4 m4v mxf mts m2ts m2t mpg mpeg avi mkv 3gp insv braw crm rmf r3d nev ari arx cine".split())
"""Moving pictures, whole files. `ari` and `arx` stand here too: a frame without a number is a clip of its own."""

SOUND = frozenset(b"wav bwf rf64 w64 aif aiff aifc caf flac m4a mp3 dff dsf".split())
"""Sound recordings."""

FRAMES = frozenset(b"dng dpx exr ari arx tif tiff cin".split())
"""One file per frame, where the name carries a number."""

RAW_STILLS = frozenset(b"dng cr2 cr3 crw nef nrw arw srf sr2 raf orf rw2 pef x3f 3fr iiq".split())
"""Photographs as the sensor saw them."""

PICTURES = frozenset(b"jpg jpeg heic heif hif png".split())
"""Photographs or thumbnails: nobody can tell by the suffix, so they join a clip but never start one."""

ESSENCE = MOVING | SOUND | FRAMES | RAW_STILLS
"""A file with one of these can start a clip."""

MEDIA = ESSENCE | PICTURES | frozenset(b"lrv lrf thm".split())
"""Anything a person would miss: used to look twice at what an ignore pattern hides."""


def split_name(name: bytes) -> tuple[bytes, bytes]:
    """Stem and lower-case suffix of a file name. A leading dot starts a stem, not a suffix."""
    stem, dot, suffix = name.rpartition(b".")
    if not dot or not stem:
        return name, b""
    return stem, suffix.lower()


def is_essence(name: bytes) -> bool:
    """Whether a file name says that it holds pictures or sound. A `._` metadata twin never does."""
    return not name.startswith(b"._") and split_name(name)[1] in ESSENCE


def is_media(name: bytes) -> bool:
    """Whether a file name says that a person would miss the file."""
    return not name.startswith(b"._") and split_name(name)[1] in MEDIA
