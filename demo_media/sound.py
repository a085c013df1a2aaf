"""A struck bell as samples, and a writer of Broadcast Wave files with `bext` and iXML chunks.

Chunk layouts: EBU Tech 3285 (`bext`), Microsoft RIFF/WAVE (`fmt `, `data`), the public iXML specification 2.10.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

SAMPLE_RATE = 48_000
SAMPLE_BYTES = 3

# Partials of a bell as multiples of its strike note: hum, prime, tierce, quint, nominal.
_PARTIALS = ((0.5, 0.22, 1.2), (1.0, 0.30, 1.8), (1.2, 0.20, 2.4), (1.5, 0.12, 3.2), (2.0, 0.16, 4.5))


def struck(note_hertz: float, frames: int, *, loudness: float, delay_frames: int = 0) -> list[int]:
    """One strike as 24-bit samples; `delay_frames` is how much later this microphone hears it."""
    samples = [0] * frames
    full = loudness * (2 ** (8 * SAMPLE_BYTES - 1) - 1)
    for index in range(delay_frames, frames):
        seconds = (index - delay_frames) / SAMPLE_RATE
        level = sum(
            share * math.exp(-fade * seconds) * math.sin(2 * math.pi * note_hertz * ratio * seconds)
            for ratio, share, fade in _PARTIALS
        )
        samples[index] = round(full * level)
    return samples


@dataclass(frozen=True, slots=True)
class Take:
    """What the sound department writes into a file. `timecode_frames` counts from midnight at `frame_rate`."""

    production: str
    roll: str
    scene: str
    take: str
    note: str
    date: str
    timecode_frames: int
    frame_rate: int
    tracks: tuple[tuple[str, list[int]], ...]
    track_numbers: tuple[int, ...]

    @property
    def time_reference(self) -> int:
        """Samples since midnight at the first sample (`bext` TimeReference)."""
        return self.timecode_frames * SAMPLE_RATE // self.frame_rate

    @property
    def clock(self) -> str:
        """Time of day of the first sample, hh:mm:ss."""
        seconds = self.timecode_frames // self.frame_rate
        return f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"


def _chunk(name: bytes, payload: bytes) -> bytes:
    return name + struct.pack("<I", len(payload)) + payload + b"\0" * (len(payload) % 2)


def _bext(take: Take) -> bytes:
    description = f"sSCENE={take.scene}\r\nsTAKE={take.take}\r\nsTAPE={take.roll}\r\nsNOTE={take.note}\r\n"
    history = f"A=PCM,F={SAMPLE_RATE},W={8 * SAMPLE_BYTES},M=multi,T=field recorder\r\n"
    return (
        struct.pack(
            "<256s32s32s10s8sIIH64s",
            description.encode("ascii"),
            b"Sound recorder",
            f"{take.roll}-{take.scene}-{take.take}".encode("ascii"),
            take.date.encode("ascii"),
            take.clock.encode("ascii"),
            take.time_reference & 0xFFFF_FFFF,
            take.time_reference >> 32,
            1,
            b"",
        )
        + b"\0" * 190
        + history.encode("ascii")
    )


def _ixml(take: Take) -> bytes:
    high, low = divmod(take.time_reference, 1 << 32)
    tracks = "".join(
        f"<TRACK><CHANNEL_INDEX>{number}</CHANNEL_INDEX><INTERLEAVE_INDEX>{place}</INTERLEAVE_INDEX>"
        f"<NAME>{escape(name)}</NAME><FUNCTION></FUNCTION></TRACK>"
        for place, (number, (name, _)) in enumerate(zip(take.track_numbers, take.tracks, strict=True), start=1)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<BWFXML><IXML_VERSION>2.10</IXML_VERSION>'
        f"<PROJECT>{escape(take.production)}</PROJECT><SCENE>{escape(take.scene)}</SCENE>"
        f"<TAKE>{escape(take.take)}</TAKE><TAPE>{escape(take.roll)}</TAPE><CIRCLED>FALSE</CIRCLED>"
        f"<NOTE>{escape(take.note)}</NOTE>"
        f"<SPEED><MASTER_SPEED>{take.frame_rate}/1</MASTER_SPEED><CURRENT_SPEED>{take.frame_rate}/1</CURRENT_SPEED>"
        f"<TIMECODE_RATE>{take.frame_rate}/1</TIMECODE_RATE><TIMECODE_FLAG>NDF</TIMECODE_FLAG>"
        f"<FILE_SAMPLE_RATE>{SAMPLE_RATE}</FILE_SAMPLE_RATE><AUDIO_BIT_DEPTH>{8 * SAMPLE_BYTES}</AUDIO_BIT_DEPTH>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{high}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{low}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>"
        f"<TIMESTAMP_SAMPLE_RATE>{SAMPLE_RATE}</TIMESTAMP_SAMPLE_RATE></SPEED>"
        f"<TRACK_LIST><TRACK_COUNT>{len(take.tracks)}</TRACK_COUNT>{tracks}</TRACK_LIST></BWFXML>\n"
    ).encode()


def write_wave(path: Path, take: Take) -> None:
    """Write a poly (or mono) wav: all tracks interleaved in one file, 24 bit, 48 kHz."""
    channels = len(take.tracks)
    block = channels * SAMPLE_BYTES
    form = struct.pack("<HHIIHH", 1, channels, SAMPLE_RATE, SAMPLE_RATE * block, block, 8 * SAMPLE_BYTES)
    data = bytearray()
    for moment in zip(*(samples for _, samples in take.tracks), strict=True):
        for sample in moment:
            data += sample.to_bytes(SAMPLE_BYTES, "little", signed=True)
    chunks = b"".join(
        (
            _chunk(b"bext", _bext(take)),
            _chunk(b"iXML", _ixml(take)),
            _chunk(b"fmt ", form),
            _chunk(b"data", bytes(data)),
        )
    )
    path.write_bytes(_chunk(b"RIFF", b"WAVE" + chunks))
