"""Chunks of the RIFF and IFF families: a four-letter code, a 32-bit size, the payload, a pad byte after an odd size.

EBU Tech 3285, annex (RIFF WAVE); AIFF-C, section 2 (IFF, big-endian).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rollproof.media.reading import is_code
from rollproof.media.source import Source

MOST_CHUNKS = 1000
UNSET = 0xFFFFFFFF
"""A size that stands elsewhere (`ds64`), or that a writer meant to fill in later."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk. `end` is where its payload says it ends, without padding."""

    code: bytes
    start: int
    payload: int
    size: int

    @property
    def end(self) -> int:
        """The first byte after the payload."""
        return self.payload + self.size


@dataclass(frozen=True, slots=True)
class ChunkWalk:
    """Neighbouring chunks, and where and why the walk ended."""

    chunks: tuple[Chunk, ...]
    stopped: int
    why: Literal["end", "no chunk", "too many"]

    def first(self, code: bytes) -> Chunk | None:
        """The first chunk of this code."""
        return next((chunk for chunk in self.chunks if chunk.code == code), None)


def walk(
    source: Source,
    start: int,
    end: int,
    order: Literal["little", "big"],
    *,
    large: dict[bytes, int] | None = None,
) -> ChunkWalk:
    """All chunks from `start` to `end`; the last may say that it ends past `end`.

    `large` gives the real sizes of chunks whose size is `UNSET` (EBU Tech 3306, `ds64`).
    """
    found: list[Chunk] = []
    position = start
    while position + 8 <= end:
        if len(found) >= MOST_CHUNKS:
            return ChunkWalk(tuple(found), position, "too many")
        head = source.at(position, 8)
        size = int.from_bytes(head[4:8], order)
        if len(head) < 8 or not is_code(head[:4]):
            return ChunkWalk(tuple(found), position, "no chunk")
        if size == UNSET and large and head[:4] in large:
            size = large[head[:4]]
        found.append(Chunk(head[:4], position, position + 8, size))
        position += 8 + size + size % 2
    return ChunkWalk(tuple(found), min(position, end), "end" if position >= end else "no chunk")
