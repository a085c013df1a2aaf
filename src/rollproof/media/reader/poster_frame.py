"""One picture of a clip by PyAV, in the process that reads media."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from rollproof.media.problems import CannotSay
from rollproof.media.reader.input import opened
from rollproof.media.source import Source

_MOST_BYTES = 256 * 1024 * 1024
"""A single frame of uncompressed film scans can take some tens of MiB, a group of pictures more."""

_MOST_PIXELS = 100_000_000
_MOST_FRAMES = 120
_LATEST_SECONDS = 1


def poster(source: Source, container: str, wide: int) -> bytes | None:
    """A PNG of at most `wide` pixels width from near the beginning, None where there is none. Raises CannotSay."""
    import av  # noqa: PLC0415 - heavy, and optional

    try:
        with opened(source, container, _MOST_BYTES, whole_pictures=True) as found:
            frame = _frame(found)
            return _png(frame, wide) if frame is not None else None
    except (av.FFmpegError, EOFError, RuntimeError) as error:
        raise CannotSay("no picture could be had") from error


def _frame(found: Any) -> Any:
    """A frame about a second in, or in the middle of what is shorter; the first one that there is otherwise."""
    if not found.streams.video:
        return None
    stream = found.streams.video[0]
    context = stream.codec_context
    if context is None or not 0 < context.width * context.height <= _MOST_PIXELS:
        return None
    length = Fraction(stream.duration * stream.time_base) if stream.duration and stream.time_base else Fraction(0)
    aim = min(Fraction(_LATEST_SECONDS), length / 2)
    start = Fraction((stream.start_time or 0) * (stream.time_base or 0))
    best = None
    for number, frame in enumerate(found.decode(stream)):
        best = frame
        passed = frame.time is None or Fraction(frame.time) - start >= aim
        if passed or number >= _MOST_FRAMES:
            break
    return best


def _png(frame: Any, wide: int) -> bytes | None:
    import av  # noqa: PLC0415 - heavy, and optional

    width = min(wide, frame.width)
    height = max(frame.height * width // frame.width, 1)
    small = frame.reformat(width=width, height=height, format="rgb24")
    encoder: Any = av.CodecContext.create("png", "w")
    encoder.width, encoder.height, encoder.pix_fmt, encoder.time_base = width, height, "rgb24", Fraction(1, 25)
    small.pts = 0
    packets = [bytes(packet) for packet in [*encoder.encode(small), *encoder.encode(None)]]
    return b"".join(packets) or None
