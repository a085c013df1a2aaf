"""Media as real muxers write them, made once per session: small, and in as many forms as cards hold.

The pictures and the sound are patterns; what matters is the structure around them.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import av
from PIL import Image

from media import by_hand

RATE = 25
SOUND_RATE = 48000


@dataclass(frozen=True, slots=True)
class Muxed:
    """One file to be made by the media library."""

    name: str
    format: str
    video: str = ""
    sound: str = ""
    pixels: str = "yuv420p"
    size: tuple[int, int] = (64, 48)
    frames: int = 12
    layout: str = "stereo"
    samples: int = 0
    sounds: int = 1
    timecode: str = ""
    options: dict[str, str] = field(default_factory=dict)
    video_options: dict[str, str] = field(default_factory=dict)


_FAST = {"movflags": "faststart"}
_FRAGMENTS = {"movflags": "frag_keyframe+empty_moov+default_base_moof", "frag_duration": "160000"}
_DNX = {"profile": "dnxhr_lb"}

MUXED = (
    Muxed("camera.mp4", "mp4", "libx264", "aac"),
    Muxed("camera-index-first.mp4", "mp4", "libx264", "aac", options=_FAST),
    Muxed("camera-fragmented.mp4", "mp4", "libx264", "aac", options=_FRAGMENTS),
    Muxed("camera-fragmented-with-table.mp4", "mp4", "mpeg4", options={"movflags": "frag_keyframe"}),
    Muxed("camera-hevc.mp4", "mp4", "libx265", video_options={"x265-params": "log-level=none"}, size=(128, 96)),
    Muxed("one-frame.mp4", "mp4", "mpeg4", frames=1),
    Muxed("silent.m4v", "ipod", "mpeg4"),
    Muxed("long.mp4", "mp4", "mpeg4", frames=400),
    Muxed("prores.mov", "mov", "prores_ks", "pcm_s24le", pixels="yuv422p10le", timecode="10:42:07:00"),
    Muxed("prores-index-first.mov", "mov", "prores_ks", pixels="yuv422p10le", options=_FAST, timecode="10:42:07:00"),
    Muxed("dnx.mov", "mov", "dnxhd", pixels="yuv422p", size=(256, 128), frames=4, video_options=_DNX),
    Muxed("mjpeg.mov", "mov", "mjpeg", "pcm_s16le", pixels="yuvj420p", sounds=2),
    Muxed("uncompressed.mov", "mov", "rawvideo", pixels="uyvy422"),
    Muxed("eight-tracks.mov", "mov", "mpeg4", "pcm_s16le", layout="mono", sounds=8),
    Muxed("sound-only.mov", "mov", sound="pcm_s24le", layout="5.1"),
    Muxed("sound.m4a", "ipod", sound="aac"),
    Muxed("phone.3gp", "3gp", "mpeg4"),
    Muxed("camera.mxf", "mxf", "mpeg2video", "pcm_s16le", layout="mono", timecode="10:44:30:00"),
    Muxed("camera-long.mxf", "mxf", "mpeg2video", frames=300),
    Muxed("prores.mxf", "mxf", "prores_ks", pixels="yuv422p10le"),
    Muxed("h264.mxf", "mxf", "libx264", "pcm_s24le", layout="mono", sounds=4),
    Muxed("atom-picture.mxf", "mxf_opatom", "dnxhd", pixels="yuv422p", size=(256, 128), frames=4, video_options=_DNX),
    Muxed("atom-sound.mxf", "mxf_opatom", sound="pcm_s24le", layout="mono"),
    Muxed("stream.mts", "mpegts", "libx264", "ac3", options={"mpegts_m2ts_mode": "1"}),
    Muxed("stream.m2t", "mpegts", "mpeg2video", "mp2"),
    Muxed("take.wav", "wav", sound="pcm_s24le"),
    Muxed("take-mono-odd.wav", "wav", sound="pcm_s24le", layout="mono", samples=4801),
    Muxed("take-8bit-odd.wav", "wav", sound="pcm_u8", layout="mono", samples=4801),
    Muxed("take-bext.wav", "wav", sound="pcm_s16le", options={"write_bext": "1"}),
    Muxed("take-float-poly.wav", "wav", sound="pcm_f32le", layout="7.1"),
    Muxed("take-junk.wav", "wav", sound="pcm_s24le", options={"rf64": "auto"}),
    Muxed("take-rf64.rf64", "wav", sound="pcm_s24le", options={"rf64": "always"}),
    Muxed("take.w64", "w64", sound="pcm_s24le"),
    Muxed("take-odd.w64", "w64", sound="pcm_u8", layout="mono", samples=4803),
    Muxed("take.aiff", "aiff", sound="pcm_s16be"),
    Muxed("take-odd.aif", "aiff", sound="pcm_s24be", layout="mono", samples=4801),
    Muxed("old.avi", "avi", "mjpeg", "pcm_s16le", pixels="yuvj420p"),
    Muxed("older.avi", "avi", "mpeg4"),
)


def _pictures(how: Muxed) -> Iterator[av.VideoFrame]:
    for number in range(how.frames):
        frame = av.VideoFrame(*how.size, "yuv420p")
        for place, plane in enumerate(frame.planes):
            pattern = bytes((column * 7 + number * 13 + place * 50) % 256 for column in range(plane.line_size))
            plane.update(pattern * plane.height)
        frame.pts = number
        yield frame.reformat(format=how.pixels)


def _sound(how: Muxed, total: int) -> Iterator[av.AudioFrame]:
    for start in range(0, total, 1024):
        count = min(1024, total - start)
        frame = av.AudioFrame(format="s16", layout=how.layout, samples=count)
        frame.sample_rate, frame.pts = SOUND_RATE, start
        channels = len(frame.layout.channels)
        samples = [((start + index) * 37 % 20001 - 10000).to_bytes(2, "little", signed=True) for index in range(count)]
        data = b"".join(sample * channels for sample in samples)
        frame.planes[0].update(data.ljust(frame.planes[0].buffer_size, b"\0"))
        yield frame


def mux(how: Muxed, folder: Path) -> bytes:
    """Make one file. Through a path, because some muxers come back to the header."""
    path = folder / how.name
    with av.open(str(path), "w", format=how.format, options={"fflags": "+bitexact", **how.options}) as container:
        streams: list[Any] = []
        if how.video:
            picture: Any = container.add_stream(how.video, rate=RATE, options={"threads": "1", **how.video_options})
            picture.width, picture.height = how.size
            picture.pix_fmt = how.pixels
            if how.timecode:
                picture.metadata["timecode"] = container.metadata["timecode"] = how.timecode
        if how.sound:
            streams = [container.add_stream(how.sound, rate=SOUND_RATE, layout=how.layout) for _ in range(how.sounds)]
        if how.video:
            for frame in _pictures(how):
                container.mux(picture.encode(frame))
        total = how.samples or SOUND_RATE * how.frames // RATE
        for stream in streams:
            resampler = av.AudioResampler(stream.codec_context.format.name, how.layout, SOUND_RATE)
            for given in (*_sound(how, total), None):
                for ready in resampler.resample(given):
                    container.mux(stream.encode(ready))
            container.mux(stream.encode(None))
        if how.video:
            container.mux(picture.encode(None))
    return path.read_bytes()


def _picture(mode: str = "RGB", size: tuple[int, int] = (96, 64)) -> Image.Image:
    wide, high = size
    channels = len(Image.new(mode, (1, 1)).getbands())
    data = bytes((column * 3 + row * 5 + channel * 80) % 256 for row in range(high) for column in range(wide)
                 for channel in range(channels))  # fmt: skip
    return Image.frombytes(mode, size, data)


def _saved(kind: str, mode: str = "RGB", **options: Any) -> bytes:
    out = io.BytesIO()
    _picture(mode).save(out, kind, **options)
    return out.getvalue()


def _two_pages() -> bytes:
    out = io.BytesIO()
    _picture().save(out, "TIFF", save_all=True, append_images=[_picture("L")], compression="tiff_lzw")
    return out.getvalue()


STILLS: dict[str, Callable[[], bytes]] = {
    "frame.tif": lambda: _saved("TIFF"),
    "frame-lzw.tif": lambda: _saved("TIFF", compression="tiff_lzw"),
    "frame-deflate.tiff": lambda: _saved("TIFF", compression="tiff_adobe_deflate"),
    "frame-jpeg.tif": lambda: _saved("TIFF", compression="jpeg"),
    "frame-grey.tif": lambda: _saved("TIFF", mode="L"),
    "frame-big.tif": lambda: _saved("TIFF", big_tiff=True),
    "frame-two-pages.tif": _two_pages,
    "thumbnail.jpg": lambda: _saved("JPEG", quality=80),
    "progressive.jpeg": lambda: _saved("JPEG", progressive=True),
    "with-comment.thm": lambda: _saved("JPEG", comment=b"struck bell"),
}
"""Stills by Pillow."""


@cache
def corpus() -> dict[str, bytes]:
    """Every file by name; made when first asked for, once per process."""
    made: dict[str, bytes] = {}
    with tempfile.TemporaryDirectory() as folder:
        for how in MUXED:
            made[how.name] = mux(how, Path(folder))
        for name in ("frame.dpx", "frame.exr"):
            made[f"library-{name}"] = _still_by_library(name, Path(folder))
    made.update((name, make()) for name, make in STILLS.items())
    made.update(by_hand.files())
    return made


def _still_by_library(name: str, folder: Path) -> bytes:
    kind = name.rpartition(".")[2]
    pixels = {"dpx": "gbrp10be", "exr": "gbrpf32le"}[kind]
    how = Muxed(f"library-{name}", "image2", kind, pixels=pixels, frames=1, options={"update": "1"})
    return mux(how, folder)
