"""What the look into the clips costs the offload that it runs beside: one offload, with or without it, as JSON.

    python -m benchmarks.look_beside CARD DRIVE… --look yes|no

`make_card` makes the card: clips as real muxers write them, in the containers that cards hold, grown to 30 to 100 MB.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import struct
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from unittest import mock

from rollproof.clips import check as clip_look
from rollproof.clips.check import Looks
from rollproof.media.reader.process import readers
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.station.context import Context
from rollproof.workflows.offload import offload

MIB = 1 << 20
_UNIT = 32 * 192
_SIDECAR = b'<?xml version="1.0" encoding="UTF-8"?><Clip><Name>%s</Name></Clip>'


def _grown_movie(movie: bytes, more: int) -> bytes:
    """With so many bytes more at the end of its media data; what says where samples lie stays true."""
    at = 0
    while movie[at + 4 : at + 8] != b"mdat":
        at += struct.unpack_from(">I", movie, at)[0]
    size = struct.unpack_from(">I", movie, at)[0]
    grown = struct.pack(">I", size + more) + movie[at + 4 : at + size] + os.urandom(more)
    return movie[:at] + grown + movie[at + size :]


def _grown_stream(stream: bytes, more: int) -> bytes:
    """With packets of no content at the end (ISO/IEC 13818-1, 2.4.1: PID 0x1FFF), in whole units as on cards."""
    packet = stream[-192:-188] + b"\x47\x1f\xff\x10"
    count = (more + -(len(stream) + more) % _UNIT) // 192
    return stream + b"".join(packet + os.urandom(184) for _ in range(count))


def make_card(folder: Path, clips: int) -> int:
    """A card with so many clips, each with a sidecar; returns the bytes."""
    from media.corpus import MUXED, Muxed, mux  # noqa: PLC0415 - the media library, only here

    by_name = {how.name: how for how in MUXED}
    film = Muxed("film.mxf", "mxf", "dnxhd", "pcm_s24le", pixels="yuv422p", size=(1920, 1080), frames=90,
                 layout="mono", timecode="10:44:30:00", video_options={"profile": "dnxhr_hq"})  # fmt: skip
    take = replace(by_name["take-bext.wav"], layout="5.1", samples=48_000 * 120, frames=0)
    kinds: tuple[tuple[str, Muxed, Callable[[bytes, int], bytes] | None], ...] = (
        ("MP4", by_name["camera.mp4"], _grown_movie),
        ("MOV", by_name["prores.mov"], _grown_movie),
        ("MXF", film, None),
        ("MP4", by_name["camera-index-first.mp4"], _grown_movie),
        ("MTS", by_name["stream.mts"], _grown_stream),
        ("MOV", by_name["prores-index-first.mov"], _grown_movie),
        ("WAV", take, None),
    )
    (folder / "CLIP").mkdir(parents=True)
    total = 0
    with tempfile.TemporaryDirectory() as scratch:
        made = [mux(how, Path(scratch)) for _, how, _ in kinds]
    for number in range(clips):
        kind, _, grow = kinds[number % len(kinds)]
        content = made[number % len(kinds)]
        if grow is not None:
            content = grow(content, (30 + number * 17 % 70) * MIB)
        name = f"A003C{number + 1:03}_260514"
        (folder / "CLIP" / f"{name}.{kind}").write_bytes(content)
        (folder / "CLIP" / f"{name}.XML").write_bytes(_SIDECAR % name.encode())
        total += len(content)
    return total


def main() -> None:
    """Run once."""
    parser = argparse.ArgumentParser()
    parser.add_argument("card", type=os.fsencode)
    parser.add_argument("drives", type=os.fsencode, nargs="+")
    parser.add_argument("--look", choices=("yes", "no"), required=True)
    given = parser.parse_args()
    looks = given.look == "yes"
    request = OffloadRequest(cards=(given.card,), destinations=tuple(given.drives), roll="A003")
    began, worked = time.monotonic(), time.process_time()
    # the answer about the card looks at what the offload did not: without the look, nothing is to look at all
    nothing = mock.patch.object(clip_look, "look_at_clips", lambda *_, **__: Looks([]))
    with contextlib.nullcontext() if looks else nothing:
        result = offload(request, Context.of(emit=lambda event: None, cancel=Cancel()), look=looks)
    seconds, worked = time.monotonic() - began, time.process_time() - worked
    readers().close()
    child = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        json.dumps(
            {
                "seconds": round(seconds, 3),
                "processor_seconds": round(worked, 3),
                "child_processor_seconds": round(child.ru_utime + child.ru_stime, 3),
                "states": [destination.state for roll in result.rolls for destination in roll.destinations],
            }
        )
    )


if __name__ == "__main__":
    main()
