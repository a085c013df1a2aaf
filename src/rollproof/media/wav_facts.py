"""What a sound recorder writes into a WAV file about the take.

EBU Tech 3285: `fmt`, `bext` (description, time reference in samples since midnight). iXML 2.0: scene, take, tape,
speed.
"""

from __future__ import annotations

import re
from fractions import Fraction
from xml.parsers import expat

from rollproof.media.facts_model import Facts
from rollproof.media.problems import CannotSay
from rollproof.media.reading import le16, le32, le64
from rollproof.media.source import Source
from rollproof.media.timecode import timecode
from rollproof.media.wav import Wave, read_wave

_LARGEST_XML = 1024 * 1024
_LONGEST_TEXT = 256
_BEXT_FIXED = 602
_EXTENSIBLE = 0xFFFE
_CODECS = {1: "PCM", 3: "PCM float", 6: "A-law", 7: "µ-law"}
_IN_DESCRIPTION = re.compile(r"^[a-z]?(SCENE|TAKE|TAPE|SPEED)=(.*?)\s*$", re.MULTILINE)


def read_wav_facts(source: Source) -> Facts:
    """The facts of a WAV file. Raises only OSError of the medium and TooMuch."""
    wave = read_wave(source)
    form = wave.chunks.first(b"fmt ")
    data = wave.chunks.first(b"data")
    if form is None or wave.order == "big":
        raise CannotSay("no readable fmt chunk")
    fields = source.at(form.payload, min(form.size, 40))
    kind, channels, sample_rate = le16(fields), le16(fields, 2), le32(fields, 4)
    align, bits = le16(fields, 12), le16(fields, 14)
    if kind == _EXTENSIBLE:
        kind = le16(fields, 24)
    codec = _CODECS.get(kind, f"format {kind}")
    duration = None
    if data is not None and align and sample_rate and kind in _CODECS:
        duration = Fraction(min(data.size, max(source.size - data.payload, 0)) // align, sample_rate)
    description, since_midnight = _bext(source, wave)
    said = {**_in_description(description), **_ixml(source, wave)}
    rate, drop = _speed(said)
    high, low = said.get("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", ""), said.get("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO", "")
    if since_midnight is None and _is_number(low):
        since_midnight = (int(high) << 32 if _is_number(high) else 0) + int(low)
    start = ""
    if since_midnight is not None and rate is not None and sample_rate:
        # recorders round the first sample of a frame to a whole one
        start = timecode(int((since_midnight + 1) * rate / sample_rate), rate, drop=drop)
    return Facts(
        duration_seconds=duration,
        start_timecode=start,
        frame_rate=rate,
        codec=f"{codec} {bits} bit" if kind in _CODECS and bits else codec,
        reel=said.get("TAPE", ""),
        scene=said.get("SCENE", ""),
        take=said.get("TAKE", ""),
        channels=channels or None,
        sample_rate=sample_rate or None,
    )


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 20


def _bext(source: Source, wave: Wave) -> tuple[str, int | None]:
    """Description, and samples since midnight (Tech 3285, 2.3)."""
    chunk = wave.chunks.first(b"bext")
    if chunk is None or chunk.size < _BEXT_FIXED:
        return "", None
    fields = source.at(chunk.payload, 346)
    return fields[:256].partition(b"\0")[0].decode("latin-1"), le64(fields, 338)


def _in_description(description: str) -> dict[str, str]:
    """Recorders without iXML write `sSCENE=12` and so on, a line each, into the description."""
    found = {name: text for name, text in _IN_DESCRIPTION.findall(description) if text}
    if "SPEED" in found:
        number, _, flag = found.pop("SPEED").partition("-")
        found["TIMECODE_RATE"], found["TIMECODE_FLAG"] = number.lstrip("0"), "DF" if flag[:1] == "D" else "NDF"
    return found


def _ixml(source: Source, wave: Wave) -> dict[str, str]:
    """The texts of an iXML chunk by element name, the first of each; empty where it is not well-formed."""
    chunk = wave.chunks.first(b"iXML")
    if chunk is None or chunk.size > _LARGEST_XML:
        return {}
    found: dict[str, str] = {}
    path: list[str] = []
    wanted = {"BWFXML", "SPEED"}

    def start(name: str, _: dict[str, str]) -> None:
        path.append(name)

    def end(_: str) -> None:
        path.pop()

    def text(data: str) -> None:
        # scene, take and tape stand at the top, the rates in SPEED; names inside tracks and the like are others
        if len(path) > 1 and path[-2] in wanted and len(path) <= 3:
            found[path[-1]] = (found.get(path[-1], "") + data)[:_LONGEST_TEXT]

    def entity(*_: object) -> None:
        raise ValueError

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler, parser.EntityDeclHandler = text, entity
    try:
        parser.Parse(source.at(chunk.payload, chunk.size).rstrip(b"\0"), True)
    except (expat.ExpatError, LookupError, ValueError):
        pass  # what was read before is as good as nothing at all: keep it
    return {name: value.strip() for name, value in found.items() if value.strip()}


def _speed(said: dict[str, str]) -> tuple[Fraction | None, bool]:
    """Frame rate and whether frames are dropped: `30000/1001` and `DF`."""
    text = said.get("TIMECODE_RATE") or said.get("MASTER_SPEED") or ""
    if not re.fullmatch(r"[0-9]{1,9}(/[0-9]{1,9}|\.[0-9]{1,6})?", text) or text.endswith("/0"):
        return None, False
    try:
        rate = Fraction(text)
    except ZeroDivisionError:
        return None, False
    nominal = round(rate)
    if rate != nominal and "." in text:
        rate = Fraction(nominal * 1000, 1001)  # 23.976, 29.97, 59.94
    return (rate, said.get("TIMECODE_FLAG", "").upper() == "DF") if 1 <= rate <= 240 else (None, False)
