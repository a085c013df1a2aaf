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

_PROBE_BYTES, _PROBE_MICROSECONDS = 300_000, 2_000_000
_PICTURES_PROBE_BYTES = 2_000_000
"""After which the library stops to look for more."""

_LARGE_READ = 64 * 1024
"""What lies in tables and headers the library reads by its buffer, which is smaller: a larger request is for a sample
of pictures or sound."""

_MOST_OF_SAMPLES = 256 * 1024
"""A movie may say that it is one giant sample; the first part of a picture tells as much about it as the whole."""

_OPEN_SECONDS, _READ_SECONDS = 10.0, 10.0


class SourceFile(io.RawIOBase):
    """A readable, seekable file over a source, for at most `most_bytes` in all; beyond them it ends. Of them
    `most_of_samples` for what is asked for in large requests, when it is given."""

    def __init__(self, source: Source, most_bytes: int, most_of_samples: int | None = None) -> None:
        super().__init__()
        self._source = source
        self._position = 0
        self._left = most_bytes
        self._samples_left = most_bytes if most_of_samples is None else most_of_samples

    def readable(self) -> bool:
        """Yes."""
        return True

    def seekable(self) -> bool:
        """Yes."""
        return True

    def read(self, size: int = -1) -> bytes:
        """The next bytes; none at the end of the file or of the allowance."""
        try:
            length = self._left if size < 0 else min(size, self._left)
            large = length > _LARGE_READ
            if large:
                length = min(length, self._samples_left)
            data = self._source.at(self._position, length)
        except TooMuch:
            return b""
        if large:
            self._samples_left -= len(data)
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


def _text_errors(version: str) -> dict[str, Any]:
    """How texts that are no UTF-8 are read: from version 19 on the library has a way of its own."""
    return {"metadata_errors": "replace"} if int(version.partition(".")[0]) < 19 else {}


@contextmanager
def opened(source: Source, container: str, most_bytes: int, *, whole_pictures: bool = False) -> Iterator[Any]:
    """An input container of PyAV over `source`, for facts or for `whole_pictures`. Raises ModuleNotFoundError without
    PyAV, and PyAV's errors. Not safe against what native code may do: only for the process that reads media."""
    import av  # noqa: PLC0415 - heavy, and optional

    av.logging.set_level(None)
    with av.open(
        SourceFile(source, most_bytes, None if whole_pictures else _MOST_OF_SAMPLES),
        "r",
        format=FORMATS[container],
        options={
            "probesize": str(_PICTURES_PROBE_BYTES if whole_pictures else _PROBE_BYTES),
            "analyzeduration": str(_PROBE_MICROSECONDS),
        },
        **_text_errors(av.__version__),
        io_open=_refuse,
        timeout=(_OPEN_SECONDS, _READ_SECONDS),
    ) as found:
        yield found
