"""What a TIFF or DNG file says of its picture, by our own reader: a card of photographs, or of frames, has very many.

TIFF 6.0, section 8 (ImageWidth, ImageLength, NewSubfileType); Adobe DNG 1.7: TimeCodes, FrameRate, ReelName.
"""

from __future__ import annotations

import re
import struct
from fractions import Fraction

from rollproof.media.facts_model import Facts
from rollproof.media.problems import CannotSay
from rollproof.media.source import Source
from rollproof.media.tiff import Directory, directories

_WIDTH, _HEIGHT = 256, 257
_NEW_SUBFILE_TYPE = 254
_REDUCED = 1
_DNG_VERSION = 50706
_TIME_CODES, _FRAME_RATE, _REEL_NAME = 51043, 51044, 51081
_BYTE, _ASCII, _SRATIONAL, _RATIONAL = 1, 2, 10, 5
_LONGEST_TEXT = 256
_BCD = re.compile(r"(?:[01][0-9]|2[0-3])(?:[0-5][0-9]){2}[0-9]{2}")


def read_tiff_facts(source: Source) -> Facts:
    """The facts of a TIFF or DNG file. Raises CannotSay, OSError of the medium, TooMuch."""
    found = list(directories(source))
    if not found:
        raise CannotSay("no readable directory")
    sizes = [(_is_whole(each), _first(each, _WIDTH), _first(each, _HEIGHT)) for each in found]
    # the raw picture lies in a directory below that of its preview
    _, width, height = max(sizes, key=lambda size: (size[0], size[1] * size[2]))
    first = found[0]
    return Facts(
        start_timecode=_time_code(first.raw(_TIME_CODES, _BYTE, 8)),
        frame_rate=_frame_rate(first),
        width=width or None,
        height=height or None,
        codec="DNG" if any(each.has(_DNG_VERSION) for each in found) else "TIFF",
        reel=first.raw(_REEL_NAME, _ASCII, _LONGEST_TEXT).partition(b"\0")[0].decode("utf-8", "replace").strip(),
    )


def _is_whole(directory: Directory) -> bool:
    """Whether it is a picture of full size, and none made smaller for a quick look."""
    return not _first(directory, _NEW_SUBFILE_TYPE) & _REDUCED


def _first(directory: Directory, tag: int) -> int:
    values = directory.numbers(tag)
    return values[0] if values else 0


def _time_code(data: bytes) -> str:
    """SMPTE ST 331, 8.2: frames with flags, seconds, minutes, hours as decimal digits, then the user's bits."""
    if len(data) < 8:
        return ""
    digits = bytes((data[3] & 0x3F, data[2] & 0x7F, data[1] & 0x7F, data[0] & 0x3F)).hex()
    if _BCD.fullmatch(digits) is None:
        return ""
    hours, minutes, seconds, frames = (digits[place : place + 2] for place in range(0, 8, 2))
    return f"{hours}:{minutes}:{seconds}{';' if data[0] & 0x40 else ':'}{frames}"


def _frame_rate(directory: Directory) -> Fraction | None:
    data = directory.raw(_FRAME_RATE, _SRATIONAL, 8) or directory.raw(_FRAME_RATE, _RATIONAL, 8)
    if len(data) < 8:
        return None
    above, below = struct.unpack(directory.order + "ii", data)
    if below <= 0 or not below <= above <= 240 * below:
        return None
    return Fraction(above, below)
