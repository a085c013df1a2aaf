"""Facts of a clip by PyAV (the extra `media`): what the container says; pictures only as far as the library must."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

from rollproof.media.facts_model import Facts
from rollproof.media.problems import CannotSay
from rollproof.media.reader.input import FORMATS, opened
from rollproof.media.source import Source

_MOST_BYTES = 24 * 1024 * 1024
"""Tables of a long recording take some MiB; of pictures and sound `pyav_input` reads far less."""

_MOST_BYTES_WITHOUT_TABLES = 4 * 1024 * 1024
"""Where there are none, the library would go on to look for pictures, as through the empty packets of a stream."""

_WITH_TABLES = ("mov", "mxf")

_LONGEST_TEXT = 256
_TIMECODE = re.compile(r"[0-9]{2}:[0-9]{2}:[0-9]{2}[:;.][0-9]{2,3}")
_CODECS = {
    "h264": "H.264", "hevc": "H.265", "prores": "ProRes", "prores_raw": "ProRes RAW", "mpeg2video": "MPEG-2",
    "mpeg4": "MPEG-4", "dnxhd": "DNxHD", "mjpeg": "Motion JPEG", "rawvideo": "uncompressed", "v210": "uncompressed",
    "jpeg2000": "JPEG 2000", "cfhd": "CineForm", "aac": "AAC", "av1": "AV1", "dvvideo": "DV", "dpx": "DPX",
    "exr": "OpenEXR", "tiff": "TIFF",
}  # fmt: skip
_REELS = ("reel_name", "com.apple.proapps.reel", "reel")
_SCENES = ("com.apple.proapps.scene", "scene")
_TAKES = ("com.apple.proapps.take", "com.apple.proapps.shot", "take")


def read(source: Source, container: str) -> Facts:
    """The facts of one file. Raises ModuleNotFoundError without PyAV, CannotSay where the library cannot read it."""
    import av  # noqa: PLC0415 - heavy, and optional

    most = _MOST_BYTES if FORMATS[container] in _WITH_TABLES else _MOST_BYTES_WITHOUT_TABLES
    try:
        with opened(source, container, most) as found:
            # the library makes up a rate and a length for single pictures
            facts = _facts(found, still=FORMATS[container].endswith("_pipe"))
    except (av.FFmpegError, EOFError, RuntimeError) as error:
        raise CannotSay("the media library could not read it") from error
    if facts.width is None and facts.channels is None and facts.duration_seconds is None:
        raise CannotSay("the media library opened it and found nothing")
    return facts


def _facts(found: Any, *, still: bool) -> Facts:
    video = next((stream for stream in found.streams.video), None)
    sound = next((stream for stream in found.streams.audio), None)
    said: dict[str, str] = {}
    for stream in found.streams:
        for key, value in stream.metadata.items():
            said.setdefault(key.lower(), value)
    for key, value in found.metadata.items():
        said.setdefault(key.lower(), value)
    code = said.get("timecode", "")
    return Facts(
        duration_seconds=None if still else _duration(found, video or sound),
        start_timecode=code if _TIMECODE.fullmatch(code) else "",
        frame_rate=None if still else _rate(video),
        width=_positive(video, "width"),
        height=_positive(video, "height"),
        codec=_codec(video or sound, still=still),
        reel=_first(said, _REELS),
        scene=_first(said, _SCENES),
        take=_first(said, _TAKES),
        channels=_sum_of_channels(found),
        sample_rate=_positive(sound, "sample_rate"),
    )


def _duration(found: Any, stream: Any) -> Fraction | None:
    if stream is not None and stream.duration and stream.time_base and stream.duration > 0:
        return Fraction(stream.duration * stream.time_base)
    return Fraction(found.duration, 1_000_000) if found.duration and found.duration > 0 else None


def _rate(video: Any) -> Fraction | None:
    rate = getattr(video, "average_rate", None) or getattr(video, "base_rate", None)
    return Fraction(rate) if rate and 0 < rate <= 10_000 else None


def _context(stream: Any) -> Any:
    return getattr(stream, "codec_context", None) if stream is not None else None


def _positive(stream: Any, name: str) -> int | None:
    value = getattr(_context(stream), name, None)
    return int(value) if value and value > 0 else None


def _sum_of_channels(found: Any) -> int | None:
    channels = sum(_positive(stream, "channels") or 0 for stream in found.streams.audio)
    return channels or None


def _codec(stream: Any, *, still: bool) -> str:
    context = _context(stream)
    if context is None:
        return ""
    name = str(context.name)
    if name.startswith("pcm_"):
        bits = re.search(r"[0-9]+", name)
        return f"PCM {bits.group()} bit" if bits else "PCM"
    text = "JPEG" if still and name == "mjpeg" else _CODECS.get(name, name.upper())
    profile = getattr(context, "profile", None) or text
    named = name in ("prores", "dnxhd") and profile.casefold() != text.casefold()
    return f"{text} {profile}" if named else text


def _first(said: dict[str, str], names: tuple[str, ...]) -> str:
    return next((said[name].strip()[:_LONGEST_TEXT] for name in names if said.get(name, "").strip()), "")
