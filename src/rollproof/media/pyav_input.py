"""PyAV over a `Source`: the only door between the media libraries and a card.

The library reads through our file object and nothing else: the format is given (no guessing, so no playlist formats),
every further file that it asks for is refused, and what it may read in all is bounded.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from rollproof.media.source import Source, TooMuch

FORMATS = {
    "ISO media": "mov",
    "MXF": "mxf",
    "AIFF": "aiff",
    "AVI": "avi",
    "Wave64": "w64",
    "WAV": "wav",
    "MPEG transport stream": "mpegts",
    "R3D": "r3d",
    "DPX": "dpx_pipe",
    "OpenEXR": "exr_pipe",
    "TIFF": "tiff_pipe",
    "JPEG": "jpeg_pipe",
}
"""The library's name for each of our containers that it can read."""

_PROBE = {"probesize": "2000000", "analyzeduration": "2000000"}
"""Bytes and microseconds after which the library stops to look for more."""

_OPEN_SECONDS, _READ_SECONDS = 10.0, 10.0


class SourceFile(io.RawIOBase):
    """A readable, seekable file over a source, for at most `most_bytes` in all; beyond them it ends."""

    def __init__(self, source: Source, most_bytes: int) -> None:
        super().__init__()
        self._source = source
        self._position = 0
        self._left = most_bytes

    def readable(self) -> bool:
        """Yes."""
        return True

    def seekable(self) -> bool:
        """Yes."""
        return True

    def read(self, size: int = -1) -> bytes:
        """The next bytes; none at the end of the file or of the allowance."""
        try:
            data = self._source.at(self._position, self._left if size < 0 else min(size, self._left))
        except TooMuch:
            return b""
        self._position += len(data)
        self._left -= len(data)
        return data

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go somewhere; never before the beginning."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: self._source.size}[whence]
        self._position = max(base + offset, 0)
        return self._position

    def tell(self) -> int:
        """Where the next byte comes from."""
        return self._position


def _refuse(*_: object, **__: object) -> Any:
    raise PermissionError("files that a clip refers to are not opened")


@contextmanager
def opened(source: Source, container: str, most_bytes: int) -> Iterator[Any]:
    """An input container of PyAV over `source`. Raises ModuleNotFoundError without PyAV, and PyAV's errors."""
    import av  # noqa: PLC0415 - heavy, and optional

    av.logging.set_level(None)
    with av.open(
        SourceFile(source, most_bytes),
        "r",
        format=FORMATS[container],
        options=_PROBE,
        metadata_errors="replace",
        io_open=_refuse,
        timeout=(_OPEN_SECONDS, _READ_SECONDS),
    ) as found:
        yield found
