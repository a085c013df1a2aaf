"""Build the demo cards anew: `python demo_media/build.py` (needs PyAV: the extra `media`).

The result is committed, so this runs only when somebody wants other pictures. It is deterministic as far as the
encoders allow: one thread, no wall-clock times, fixed modification times. `cards.json` keeps what git does not:
modification times and empty folders; and a SHA-256 per file, as a truth that no code of the tool has touched.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import av

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from demo_media import pictures, sound  # noqa: E402

PRODUCTION = "The Bell Foundry"
DAY = "2026-05-14"
FRAME_RATE = 25
CARDS = HERE / "cards"
MANIFEST = HERE / "cards.json"

# The crew shoots in summer time, two hours ahead of UTC; a file gets its date when the clip ends.
_MIDNIGHT_UTC = datetime(2026, 5, 13, 22, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Shot:
    """One clip to be made: how it starts (time of day, 25 frames a second) and what it shows."""

    name: str
    start: tuple[int, int, int]
    frames: int
    scene: pictures.Scene

    @property
    def timecode(self) -> str:
        """hh:mm:ss:ff of the first frame."""
        hours, minutes, seconds = self.start
        return f"{hours:02}:{minutes:02}:{seconds:02}:00"

    def ends(self, extra_seconds: int = 0) -> datetime:
        """When the camera closed the file (two-second steps, so that every file system can hold it)."""
        hours, minutes, seconds = self.start
        passed = hours * 3600 + minutes * 60 + seconds + self.frames // FRAME_RATE + extra_seconds
        return _MIDNIGHT_UTC + timedelta(seconds=passed + passed % 2)


A_CAMERA = (
    Shot("A003C001_260514", (10, 42, 7), 75, pictures.colour_bars),
    Shot("A003C002_260514", (10, 44, 31), 75, pictures.swinging_bell),
    Shot("A003C003_260514", (11, 3, 12), 100, pictures.casting),
    Shot("A003C004_260514", (11, 9, 55), 75, pictures.struck_bell),
)
B_CAMERA = (
    Shot("B002C001_260514_R1BF", (10, 44, 30), 50, pictures.swinging_bell),
    Shot("B002C002_260514_R1BF", (11, 3, 14), 50, pictures.casting),
    Shot("B002C003_260514_R1BF", (11, 9, 54), 50, pictures.struck_bell),
)
# The B camera was switched to its other recording format for the last take.
B_CAMERA_MXF = (Shot("B002C004_260514_R1BF", (11, 31, 40), 75, pictures.casting),)


@dataclass(frozen=True, slots=True)
class Encoding:
    """How one kind of file is made."""

    container: str
    codec: str
    pixels: str
    size: tuple[int, int]
    options: dict[str, str]


ORIGINAL_MP4 = Encoding("mp4", "libx264", "yuv420p", (320, 180), {"crf": "20"})
PROXY_MP4 = Encoding("mp4", "libx264", "yuv420p", (160, 90), {"crf": "32"})
ORIGINAL_MOV = Encoding("mov", "prores_ks", "yuv422p10le", (320, 180), {"profile": "0"})
ORIGINAL_MXF = Encoding("mxf", "mpeg2video", "yuv420p", (320, 180), {"b": "600000"})
THUMBNAIL = Encoding("image2", "mjpeg", "yuvj420p", (160, 90), {"qmin": "5", "qmax": "5"})


def _frames(shot: Shot, size: tuple[int, int], count: int) -> Iterator[av.VideoFrame]:
    width, height = size
    for number in range(count):
        picture = shot.scene(number, shot.frames, width, height)
        frame = av.VideoFrame(width, height, "yuv420p")
        for plane, drawn in zip(frame.planes, picture.planes, strict=True):
            wide = plane.width
            lines = (bytes(drawn[line * wide : (line + 1) * wide]) for line in range(plane.height))
            plane.update(b"".join(line.ljust(plane.line_size, b"\0") for line in lines))
        frame.pts = number
        yield frame


def encode(path: Path, shot: Shot, how: Encoding) -> None:
    """Write one media file with its timecode."""
    still = how.container == "image2"
    flags = {"update": "1"} if still else {"fflags": "+bitexact"}
    with av.open(str(path), "w", format=how.container, options=flags) as container:
        stream: Any = container.add_stream(
            how.codec, rate=FRAME_RATE, options={**how.options, "threads": "1", "flags": "+bitexact"}
        )
        stream.width, stream.height = how.size
        stream.pix_fmt = how.pixels
        if not still:
            stream.metadata["timecode"] = container.metadata["timecode"] = shot.timecode
        if how.container == "mxf":
            container.metadata["company_name"] = PRODUCTION
            container.metadata["product_name"] = "Demo camera"
        for frame in _frames(shot, how.size, 1 if still else shot.frames):
            ready = frame if how.pixels == "yuv420p" else frame.reformat(format=how.pixels)
            container.mux(stream.encode(ready))
        container.mux(stream.encode(None))


def _clip_xml(shot: Shot) -> str:
    hours, minutes, seconds = shot.start
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        "<NonRealTimeMeta>\n"
        f'  <Duration value="{shot.frames}"/>\n'
        f'  <CreationDate value="{DAY}T{hours:02}:{minutes:02}:{seconds:02}+02:00"/>\n'
        f'  <LtcChangeTable tcFps="{FRAME_RATE}"><LtcChange frameCount="0" value="{shot.timecode}"/></LtcChangeTable>\n'
        f'  <VideoFormat><VideoFrame captureFps="{FRAME_RATE}p" formatFps="{FRAME_RATE}p"/></VideoFormat>\n'
        "</NonRealTimeMeta>\n"
    )


def _card_index(shots: tuple[Shot, ...]) -> str:
    materials = "".join(
        f'    <Material uri="./CLIP/{shot.name}.MP4" type="MP4" dur="{shot.frames}" fps="{FRAME_RATE}p">\n'
        f'      <Proxy uri="./SUB/{shot.name}S03.MP4" type="MP4"/>\n'
        f'      <RelevantInfo uri="./CLIP/{shot.name}M01.XML" type="XML"/>\n'
        f'      <RelevantInfo uri="./THMBNL/{shot.name}T01.JPG" type="JPG"/>\n'
        "    </Material>\n"
        for shot in shots
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<MediaProfile version="2.00">\n  <Contents>\n{materials}  </Contents>\n</MediaProfile>\n'
    )


Dates = dict[str, datetime]
"""Modification time by path below `cards/`."""


def camera_a(dates: Dates) -> None:
    """A003: mp4 with a sidecar, a thumbnail and a proxy per clip, and a card index."""
    root = CARDS / "A003" / "PRIVATE" / "M4ROOT"
    for folder in ("CLIP", "SUB", "THMBNL"):
        (root / folder).mkdir(parents=True)
    for shot in A_CAMERA:
        encode(root / "CLIP" / f"{shot.name}.MP4", shot, ORIGINAL_MP4)
        (root / "CLIP" / f"{shot.name}M01.XML").write_text(_clip_xml(shot), encoding="utf-8")
        encode(root / "SUB" / f"{shot.name}S03.MP4", shot, PROXY_MP4)
        encode(root / "THMBNL" / f"{shot.name}T01.JPG", shot, THUMBNAIL)
        below = "A003/PRIVATE/M4ROOT"
        for path in (
            f"CLIP/{shot.name}.MP4",
            f"CLIP/{shot.name}M01.XML",
            f"SUB/{shot.name}S03.MP4",
            f"THMBNL/{shot.name}T01.JPG",
        ):
            dates[f"{below}/{path}"] = shot.ends()
    (root / "MEDIAPRO.XML").write_text(_card_index(A_CAMERA), encoding="utf-8")
    dates["A003/PRIVATE/M4ROOT/MEDIAPRO.XML"] = A_CAMERA[-1].ends(extra_seconds=2)


def camera_b(dates: Dates) -> None:
    """B002: one folder named after the roll; mov, and an mxf at the end."""
    folder = CARDS / "B002" / "B002R1BF"
    folder.mkdir(parents=True)
    for shots, how in ((B_CAMERA, ORIGINAL_MOV), (B_CAMERA_MXF, ORIGINAL_MXF)):
        for shot in shots:
            name = f"{shot.name}.{how.container}"
            encode(folder / name, shot, how)
            dates[f"B002/B002R1BF/{name}"] = shot.ends()


@dataclass(frozen=True, slots=True)
class Recording:
    """One sound take: file-name stem, start, bell note, tracks, and whether each track gets its own file."""

    stem: str
    scene: str
    take: str
    start: tuple[int, int, int]
    note_hertz: float
    note: str
    tracks: tuple[str, ...]
    apart: bool = False


SOUND_TAKES = (
    Recording("12-T01", "12", "1", (10, 44, 29), 220.0, "bell swings, with A and B", ("MIX", "BOOM", "RADIO")),
    Recording("12-T02", "12", "2", (11, 9, 53), 220.0, "struck once, with A and B", ("MIX", "BOOM", "RADIO")),
    Recording("WT-T01", "WT", "1", (11, 40, 2), 174.6, "wild track, no picture", ("BOOM", "RADIO"), apart=True),
)


def sound_card(dates: Dates) -> None:
    """S001: poly wav, a wild track as one file per track, and the sound report."""
    folder = CARDS / "S001" / "S001"
    folder.mkdir(parents=True)
    seconds = 1
    rows = ["File,Scene,Take,Start,Length,Tracks,Note"]
    for recording in SOUND_TAKES:
        hours, minutes, second = recording.start
        start = hours * 3600 + minutes * 60 + second
        tracks = tuple(
            (name, sound.struck(recording.note_hertz, seconds * sound.SAMPLE_RATE, loudness=0.7 - 0.15 * place,
                                delay_frames=140 * place))
            for place, name in enumerate(recording.tracks)
        )  # fmt: skip
        files = [(number,) for number in range(len(tracks))] if recording.apart else [tuple(range(len(tracks)))]
        for position, chosen in enumerate(files, start=1):
            name = f"{recording.stem}_{position}.WAV"
            take = sound.Take(
                production=PRODUCTION, roll="S001", scene=recording.scene, take=recording.take, note=recording.note,
                date=DAY, timecode_frames=start * FRAME_RATE, frame_rate=FRAME_RATE,
                tracks=tuple(tracks[index] for index in chosen), track_numbers=tuple(index + 1 for index in chosen),
            )  # fmt: skip
            sound.write_wave(folder / name, take)
            passed = start + seconds
            dates[f"S001/S001/{name}"] = _MIDNIGHT_UTC + timedelta(seconds=passed + passed % 2)
            named = " ".join(tracks[index][0] for index in chosen)
            rows.append(f'{name},{take.scene},{take.take},{take.clock}:00,00:00:{seconds:02}:00,{named},"{take.note}"')
    report = folder / "S001_REPORT.csv"
    report.write_text("\r\n".join(rows) + "\r\n", encoding="utf-8", newline="")
    dates["S001/S001/S001_REPORT.csv"] = _MIDNIGHT_UTC + timedelta(hours=11, minutes=41)


EMPTY_FOLDERS = {"A003": ["PRIVATE/M4ROOT/GENERAL"], "B002": [], "S001": ["S001/FALSE_TAKES"]}

CLIPS = {
    "A003": [shot.name for shot in A_CAMERA],
    "B002": [shot.name for shot in (*B_CAMERA, *B_CAMERA_MXF)],
    "S001": [recording.stem for recording in SOUND_TAKES],
}
"""What a person would count: a take in several files is one, a proxy is none."""


def write_manifest(dates: Dates) -> None:
    """Write `cards.json`: per card its clips, its files (size, date, SHA-256) and its empty folders."""
    cards: dict[str, Any] = {
        name: {"clips": CLIPS[name], "files": [], "empty_folders": empty} for name, empty in EMPTY_FOLDERS.items()
    }
    for path, date in sorted(dates.items()):
        card, _, below = path.partition("/")
        content = (CARDS / path).read_bytes()
        cards[card]["files"].append(
            {
                "path": below,
                "size": len(content),
                "modified": date.isoformat().replace("+00:00", "Z"),
                "sha256": hashlib.sha256(content).hexdigest(),
            }
        )
    text = json.dumps({"production": PRODUCTION, "day": DAY, "cards": cards}, indent=2)
    MANIFEST.write_text(text + "\n", encoding="utf-8")


def main() -> None:
    """Remove the old cards and build them anew."""
    shutil.rmtree(CARDS, ignore_errors=True)
    dates: Dates = {}
    camera_a(dates)
    camera_b(dates)
    sound_card(dates)
    write_manifest(dates)
    total = sum((CARDS / path).stat().st_size for path in dates)
    print(f"{len(dates)} files, {total:,} bytes in {CARDS}")


if __name__ == "__main__":
    main()
