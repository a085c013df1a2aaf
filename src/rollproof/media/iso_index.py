"""The index of an ISO base media file (`moov`): tracks and their sample tables.

ISO/IEC 14496-12: 8.2 movie, 8.3 track, 8.4 media, 8.5 sample table, 8.6 times, 8.7 sizes and offsets, 8.8 fragments.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from rollproof.media.iso_boxes import Box, child, children
from rollproof.media.reading import be32, be64
from rollproof.media.source import Source

MOST_TRACKS = 64
_WHOLE_TABLE = 1024 * 1024
_PART = 64 * 1024
_PARTS = 8
_MOST_LAST_SAMPLES = 8192


@dataclass(frozen=True, slots=True)
class Track:
    """One track. `complete` is False where boxes that every track must have are missing or cut.

    `lowest`, `highest`: chunk offsets (of a large table: as far as looked). `last_end`: where the samples of the last
    chunk end. `last_sample`: offset and length of the last sample, None where unknown.
    """

    kind: bytes
    codec: bytes
    complete: bool
    duration: int
    samples: int
    elsewhere: bool = False
    """The samples are in another file (a data reference that is not this file)."""
    chunks: int = 0
    lowest: int = 0
    highest: int = 0
    last_end: int = 0
    last_sample: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Index:
    """What a `moov` says. `compressed`: its content is packed and cannot be judged without unpacking."""

    duration: int
    fragmented: bool
    compressed: bool
    tracks: tuple[Track, ...]


def read_index(source: Source, moov: Box) -> Index:
    """Read one `moov` box."""
    header = child(source, moov, b"mvhd")
    tracks = [box for box in children(source, moov) if box.code == b"trak"][:MOST_TRACKS]
    return Index(
        duration=_duration(source, header),
        fragmented=child(source, moov, b"mvex") is not None,
        compressed=child(source, moov, b"cmov") is not None,
        tracks=tuple(_track(source, box) for box in tracks),
    )


def _duration(source: Source, box: Box | None) -> int:
    """The duration in an `mvhd` or `mdhd`, after creation, modification and timescale; -1 without such a box."""
    if box is None:
        return -1
    data = source.at(box.payload, 32)
    return be64(data, 24) if data[:1] == b"\1" else be32(data, 16)


def _track(source: Source, trak: Box) -> Track:
    media = child(source, trak, b"mdia")
    header = child(source, media, b"mdhd")
    handler = child(source, media, b"hdlr")
    table = child(source, media, b"minf", b"stbl")
    kind = source.at(handler.payload + 8, 4) if handler else b""
    boxes = {box.code: box for box in children(source, table)} if table else {}
    description = boxes.get(b"stsd")
    codec = source.at(description.payload + 12, 4) if description else b""
    sizes = boxes.get(b"stsz") or boxes.get(b"stz2")
    offsets = boxes.get(b"stco") or boxes.get(b"co64")
    to_chunks = boxes.get(b"stsc")
    duration = _duration(source, header)
    if not (header and description and b"stts" in boxes and sizes and offsets and to_chunks):
        return Track(kind, codec, False, duration, 0)
    samples = be32(source.at(sizes.payload + 8, 4))
    chunks = be32(source.at(offsets.payload + 4, 4))
    width = 8 if offsets.code == b"co64" else 4
    fits = (
        chunks * width <= offsets.end - offsets.payload - 8
        and be32(source.at(to_chunks.payload + 4, 4)) * 12 <= to_chunks.end - to_chunks.payload - 8
        and _sizes_fit(source, sizes, samples)
    )
    track = Track(kind, codec, fits, duration, samples, _elsewhere(source, media), chunks)
    if not fits or not chunks:
        return track
    lowest, highest, last = _chunk_offsets(source, offsets.payload + 8, chunks, width)
    last_end, last_sample = _last_chunk(source, sizes, to_chunks, chunks, samples, last)
    return Track(
        kind, codec, True, duration, samples, track.elsewhere, chunks, lowest, highest, last_end, last_sample
    )  # fmt: skip


def _sizes_fit(source: Source, sizes: Box, samples: int) -> bool:
    room = sizes.end - sizes.payload - 12
    first = be32(source.at(sizes.payload + 4, 4))
    if sizes.code == b"stz2":
        return samples * (first & 0xFF) <= room * 8 + 7
    return first != 0 or samples * 4 <= room


def _elsewhere(source: Source, media: Box | None) -> bool:
    """Whether any data reference (8.7.2) says that samples are in another file."""
    references = child(source, media, b"minf", b"dinf", b"dref")
    if references is None:
        return False
    return any(not be32(source.at(box.payload, 4)) & 1 for box in children(source, references, skip=8))


def _chunk_offsets(source: Source, start: int, count: int, width: int) -> tuple[int, int, int]:
    """Lowest, highest and last of the chunk offsets. A large table is looked at in parts: its ends and some between."""
    last = int.from_bytes(source.at(start + (count - 1) * width, width), "big")
    if count * width <= _WHOLE_TABLE:
        parts = [(start, count)]
    else:
        each = _PART // width
        parts = [(start + (count - each) * part // (_PARTS - 1) * width, each) for part in range(_PARTS)]
    lowest, highest = last, last
    for offset, entries in parts:
        data = source.at(offset, entries * width)
        there = len(data) // width
        if there:
            values = sorted(struct.unpack(f">{there}{'Q' if width == 8 else 'I'}", data[: there * width]))
            lowest, highest = min(lowest, values[0]), max(highest, values[-1])
    return lowest, highest, last


def _last_chunk(
    source: Source, sizes: Box, to_chunks: Box, chunks: int, samples: int, offset: int
) -> tuple[int, tuple[int, int] | None]:
    """Where the samples of the last chunk end, and the last sample itself; (offset, None) where it cannot be told."""
    unknown = (offset, None)
    runs = be32(source.at(to_chunks.payload + 4, 4))
    if not 0 < runs * 12 <= _WHOLE_TABLE or sizes.code != b"stsz":
        return unknown
    table = struct.unpack(f">{runs * 3}I", source.at(to_chunks.payload + 8, runs * 12).ljust(runs * 12, b"\0"))
    before = 0
    for run in range(runs):
        first, each = table[run * 3], table[run * 3 + 1]
        following = table[run * 3 + 3] if run + 1 < runs else chunks + 1
        # all samples of this run's chunks, except those of the very last chunk
        before += max(min(following, chunks) - first, 0) * each
    count = samples - before
    if not 0 < count <= min(table[-2], _MOST_LAST_SAMPLES):
        return unknown
    same = be32(source.at(sizes.payload + 4, 4))
    if same:
        return offset + same * count, (offset + same * (count - 1), same)
    data = source.at(sizes.payload + 12 + (samples - count) * 4, count * 4)
    if len(data) < count * 4:
        return unknown
    lengths = struct.unpack(f">{count}I", data)
    end = offset + sum(lengths)
    return end, (end - lengths[-1], lengths[-1])
