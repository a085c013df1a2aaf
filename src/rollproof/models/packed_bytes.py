"""Bytes that are made once and gone through several times, packed while they wait: the text of a manifest or of a
record's rows, of which a card of 200,000 frames would fill a hundred megabytes and fills ten.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator

PACKED_LIMIT_BYTES = 8 << 20
"""No more is kept, packed: beyond, whoever needs the bytes makes them anew."""

_PIECE_BYTES = 64 << 10
_QUICKEST = 1  # what more effort saves of such a text is a hundredth


class PackedBytes:
    """Filled by `add` and `end`, then read by any thread, any number of times."""

    __slots__ = ("_gathered", "_gathered_bytes", "_limit", "_packed", "_packed_bytes", "_packer")

    def __init__(self, limit_bytes: int = PACKED_LIMIT_BYTES) -> None:
        self._limit = limit_bytes
        self._packer = zlib.compressobj(_QUICKEST)
        self._packed: list[bytes] = []
        self._packed_bytes = 0
        self._gathered: list[bytes] = []
        self._gathered_bytes = 0

    def add(self, piece: bytes) -> None:
        """The next bytes."""
        self._gathered.append(piece)
        self._gathered_bytes += len(piece)
        if self._gathered_bytes >= _PIECE_BYTES:
            self._pack()

    def end(self) -> None:
        """Nothing more comes."""
        self._pack()
        self._keep(self._packer.flush())

    @property
    def whole(self) -> bool:
        """False when they were more than is kept: then there is nothing to read."""
        return self._packed_bytes <= self._limit

    def __iter__(self) -> Iterator[bytes]:
        """The bytes, in pieces. ValueError when they are not whole."""
        if not self.whole:
            raise ValueError("more bytes than were kept")
        unpacker = zlib.decompressobj()
        for packed in self._packed:
            piece = unpacker.decompress(packed)
            if piece:
                yield piece
        if not unpacker.eof:
            raise ValueError("bytes that were not ended")

    def _pack(self) -> None:
        gathered, self._gathered, self._gathered_bytes = self._gathered, [], 0
        if self.whole:
            self._keep(self._packer.compress(b"".join(gathered)))

    def _keep(self, packed: bytes) -> None:
        self._packed_bytes += len(packed)
        self._packed.append(packed)
        if not self.whole:
            self._packed = []
