"""A clip of compressed pictures that is some megabytes long, as a real muxer writes it: noise does not compress."""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import av

RATE = 25


@cache
def noisy_movie(frames: int = 24, container: str = "mov", size: tuple[int, int] = (640, 480)) -> bytes:
    """Motion JPEG in a container that knows its length; about 0.3 MB a frame."""
    dice = random.Random(7)
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"noise.{container}"
        with av.open(str(path), "w", options={"fflags": "+bitexact"}) as file:
            picture: Any = file.add_stream("mjpeg", rate=RATE, options={"threads": "1", "qmin": "1", "qmax": "2"})
            picture.width, picture.height, picture.pix_fmt = *size, "yuvj420p"
            for number in range(frames):
                frame = av.VideoFrame(*size, "yuvj420p")
                for plane in frame.planes:
                    plane.update(dice.randbytes(plane.buffer_size))
                frame.pts = number
                file.mux(picture.encode(frame))
            file.mux(picture.encode(None))
        return path.read_bytes()
