"""The containers there is a check for: one line each. A new one is a module of its own and a line here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from rollproof.media import ari, dpx, exr, iso, jpeg, mxf, other_chunks, raw_segments, sidecar_xml, tiff, transport, wav
from rollproof.media.problems import Problem
from rollproof.media.reading import is_zero
from rollproof.media.source import Source

HEAD_BYTES = 2048
"""What `recognises` gets to see."""


@dataclass(frozen=True, slots=True)
class Container:
    """A kind of file: its name, how its first bytes are known, its suffixes, its check.

    `sure_suffix`: a file of this suffix must be recognised, or its beginning is damaged. `by_content`: whatever its
    name, a file that begins so is of this kind. `zero_tail`: what a tail of more than 1 MiB of zeros means, where
    `examine` does not see it by itself (uncompressed sound and pictures may well end in zeros: silence, black).
    """

    name: str
    recognises: Callable[[bytes], bool]
    examine: Callable[[Source], list[Problem]]
    suffixes: frozenset[bytes]
    sure_suffix: bool = True
    by_content: bool = True
    zero_tail: Literal["damaged", "odd", ""] = ""


def _suffixes(names: str) -> frozenset[bytes]:
    return frozenset(names.encode().split())


def _arx(source: Source) -> list[Problem]:
    return ari.examine(source, compressed=True)


CONTAINERS = (
    Container(iso.NAME, iso.recognises, iso.examine, _suffixes("mov mp4 m4v m4a crm braw 3gp 3g2 insv lrv lrf")),
    Container(mxf.NAME, mxf.recognises, mxf.examine, _suffixes("mxf")),
    Container(wav.NAME, wav.recognises, wav.examine, _suffixes("wav bwf rf64")),
    Container("AIFF", other_chunks.recognises_aiff, other_chunks.examine_aiff, _suffixes("aif aiff aifc")),
    Container("AVI", other_chunks.recognises_avi, other_chunks.examine_avi, _suffixes("avi"), zero_tail="damaged"),
    Container("Wave64", other_chunks.recognises_w64, other_chunks.examine_w64, _suffixes("w64")),
    Container(transport.NAME, transport.recognises, transport.examine, _suffixes("mts m2ts m2t"), by_content=False),
    Container(raw_segments.NAME, raw_segments.recognises, raw_segments.examine, _suffixes("r3d")),
    Container(dpx.NAME, dpx.recognises, dpx.examine, _suffixes("dpx")),
    Container(exr.NAME, exr.recognises, exr.examine, _suffixes("exr")),
    Container(ari.NAME, ari.recognises, ari.examine, _suffixes("ari"), by_content=False),
    Container("ARX", ari.recognises, _arx, _suffixes("arx"), sure_suffix=False, by_content=False),
    Container(tiff.NAME, tiff.recognises, tiff.examine, _suffixes("dng tif tiff"), by_content=False),
    Container(sidecar_xml.NAME, sidecar_xml.recognises, sidecar_xml.examine, _suffixes("xml xmp")),
    Container(jpeg.NAME, jpeg.recognises, jpeg.examine, _suffixes("jpg jpeg thm"), zero_tail="odd"),
)

OTHER_MEDIA = _suffixes(
    "mpg mpeg mkv rmf nev cine cin caf flac mp3 dff dsf heic heif hif png"
    " cr2 cr3 crw nef nrw arw srf sr2 raf orf rw2 pef x3f 3fr iiq"
)
"""Suffixes of media without a check: an empty one is damaged all the same."""

_BY_SUFFIX = {suffix: container for container in CONTAINERS for suffix in container.suffixes}


def suffix_of(name: bytes) -> bytes:
    """The lower-case suffix of a path or name, without its dot. A leading dot starts a stem, not a suffix.

    A `._` metadata twin has none: it carries its clip's name and nothing of its clip.
    """
    bare = name.rpartition(b"/")[2]
    stem, dot, suffix = bare.rpartition(b".")
    return suffix.lower() if dot and stem and not bare.startswith(b"._") else b""


def is_media(name: bytes) -> bool:
    """Whether the name says that the file holds pictures or sound."""
    suffix = suffix_of(name)
    container = _BY_SUFFIX.get(suffix)
    return suffix in OTHER_MEDIA or (container is not None and container.name != sidecar_xml.NAME)


def container_for(head: bytes, name: bytes) -> Container | None:
    """Which check fits: by the first bytes where they say so, else by the name."""
    by_name = _BY_SUFFIX.get(suffix_of(name))
    if by_name is not None and by_name.recognises(head):
        return by_name
    for container in CONTAINERS:
        if container.by_content and container.recognises(head):
            return container
    if by_name is not None and (by_name.sure_suffix or is_zero(head[:64])):
        return by_name
    return None
