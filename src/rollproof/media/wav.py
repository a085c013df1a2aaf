"""WAV, Broadcast WAV, RF64 and BW64: structure.

EBU Tech 3285 (BWF: RIFF WAVE with `bext`), EBU Tech 3306 (RF64: sizes beyond 4 GiB in `ds64`), ITU-R BS.2088 (BW64).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rollproof.media.chunks import UNSET, Chunk, ChunkWalk, walk
from rollproof.media.problems import Problem
from rollproof.media.reading import LONG_ZERO_TAIL, le64, zeros_from
from rollproof.media.source import Source

NAME = "WAV"
_FORMS = (b"RIFF", b"RIFX", b"RF64", b"BW64")
_GIB4 = 1 << 32

_NEVER_FINISHED = (
    "the recorder never finished the header: power or card was probably pulled; the sound is there and may be recovered"
)
_CUT_SHORT = "the file ends too early: the end of the take is not on this medium"
_SLOPPY = "players will probably read it; the recorder's sizes do not add up"


@dataclass(frozen=True, slots=True)
class Wave:
    """The chunks of one file. `said`: where the header says that the file ends; -1 where it was never filled in."""

    form: bytes
    order: Literal["little", "big"]
    said: int
    chunks: ChunkWalk
    ds64: Chunk | None


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is a WAV file of any size."""
    return head[:4] in _FORMS and head[8:12] == b"WAVE"


def read_wave(source: Source) -> Wave:
    """The chunks of a file that `recognises` accepted."""
    head = source.at(0, 12)
    order: Literal["little", "big"] = "big" if head[:4] == b"RIFX" else "little"
    size = int.from_bytes(head[4:8], order)
    ds64: Chunk | None = None
    large: dict[bytes, int] = {}
    if head[:4] in (b"RF64", b"BW64"):
        first = walk(source, 12, min(12 + 8, source.size), "little").first(b"ds64")
        if first is not None:
            ds64 = first
            sizes = source.at(ds64.payload, 16)
            if len(sizes) == 16:
                large[b"data"] = le64(sizes, 8)
                size = le64(sizes) if size == UNSET else size
    said = -1 if size in (0, UNSET) else size + 8
    return Wave(head[:4], order, said, walk(source, 12, source.size, order, large=large), ds64)


def examine(source: Source) -> list[Problem]:
    """What is wrong with the structure of one file."""
    if not recognises(source.at(0, 12)):
        return [Problem("damaged", "no RIFF WAVE header at its beginning", "the beginning of the take is damaged")]
    wave = read_wave(source)
    if wave.form in (b"RF64", b"BW64") and wave.ds64 is None and wave.said < 0:
        return [Problem("damaged", "an RF64 header without its ds64 chunk", _NEVER_FINISHED)]
    data = wave.chunks.first(b"data")
    if data is None:
        cut = f"; {_runs_out(wave, source)}" if _runs_out(wave, source) else ""
        return [Problem("damaged", f"no data chunk in {source.size:,} bytes{cut}", _NEVER_FINISHED)]
    problems: list[Problem] = []
    form = wave.chunks.first(b"fmt ")
    if form is None or form.start > data.start:
        problems.append(
            Problem("damaged", "no fmt chunk before the sound", "nobody can tell how the sound is to be played")
        )
    return problems + _sizes(source, wave, data)


def _runs_out(wave: Wave, source: Source) -> str:
    last = wave.chunks.chunks[-1] if wave.chunks.chunks else None
    if last is None or last.end <= source.size:
        return ""
    return f"a chunk at byte {last.start:,} says it ends at {last.end:,}"


def _sizes(source: Source, wave: Wave, data: Chunk) -> list[Problem]:
    """Whether the sizes in `RIFF`, `ds64` and `data` agree with the file."""
    size = source.size
    after = size - data.payload
    if data.size == 0:
        said = f"the data chunk at byte {data.start:,} says 0 bytes"
        if after == 0:
            return [Problem("damaged", f"{said}, and nothing follows", "the take holds no sound at all")]
        if not _chunks_to_the_end(wave, source):
            return [Problem("damaged", f"{said}; {after:,} bytes follow", _NEVER_FINISHED)]
        return [Problem("damaged", said, "the take holds no sound at all")]
    if wave.form in (b"RIFF", b"RIFX") and size >= _GIB4:
        return _beyond_32_bits(source, wave, data)
    if data.size == UNSET or wave.said < 0:
        return [Problem("damaged", "the sizes in the header were never filled in", _NEVER_FINISHED)]
    if data.end > size:
        detail = f"the sound says it ends at byte {data.end:,}; the file ends at {size:,}"
        return [Problem("damaged", detail, _CUT_SHORT)]
    last = wave.chunks.chunks[-1]
    if last.end > size and wave.chunks.stopped >= size and last.start < wave.said:
        detail = f"a chunk at byte {last.start:,} says it ends at {last.end:,}; the file ends at {size:,}"
        return [Problem("damaged", detail, "the file ends too early: what was written after the sound is cut off")]
    if wave.said > size + 1:
        detail = f"the header says {wave.said:,} bytes; the file has {size:,}"
        if wave.said <= size + 8:
            return [Problem("odd", detail, _SLOPPY)]
        return [Problem("damaged", detail, _CUT_SHORT)]
    if wave.said < size - 1:
        return _beyond_the_header(source, wave, data)
    return []


def _chunks_to_the_end(wave: Wave, source: Source) -> bool:
    last = wave.chunks.chunks[-1]
    return wave.chunks.why == "end" and last.end <= source.size


def _beyond_32_bits(source: Source, wave: Wave, data: Chunk) -> list[Problem]:
    """More than 4 GiB under 32-bit sizes: some recorders let them wrap around or leave them at their largest."""
    wrapped = (source.size - 8) % _GIB4 == wave.said - 8 or data.size == UNSET or data.end % _GIB4 == 0
    if wrapped or wave.said < 0:
        return [
            Problem(
                "odd",
                f"{source.size:,} bytes under sizes of 32 bits, which hold 4 GiB",
                "the take may be whole, but most programs will only see part of it",
            )
        ]
    return _beyond_the_header(source, wave, data) if wave.said < source.size else []


def _beyond_the_header(source: Source, wave: Wave, data: Chunk) -> list[Problem]:
    """The file is longer than its header says: padding, something appended, or sound that was never added up."""
    start = max(wave.said, data.end)
    length = source.size - start
    if length <= 1:
        return [Problem("odd", f"the header says {wave.said:,} bytes; the file has {source.size:,}", _SLOPPY)]
    detail = f"the header says {wave.said:,} bytes; the file has {source.size:,}"
    if zeros_from(source, start):
        if length < LONG_ZERO_TAIL:
            return []
        return [Problem("odd", f"{detail}; the rest is zeros", "the file is padded with nothing")]
    if _chunks_to_the_end(wave, source):
        return [Problem("odd", f"{detail}; the rest is further chunks", _SLOPPY)]
    return [
        Problem(
            "damaged",
            f"{detail}; what follows byte {start:,} belongs to nothing",
            "the recorder updated the header for the last time before the end of the take: sound after that point is in"
            " the file but will not be played until somebody recovers it",
        )
    ]
