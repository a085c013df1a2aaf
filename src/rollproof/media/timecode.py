"""Timecode from a number of frames. SMPTE ST 12-1, 5.2 (60-minute count, drop-frame compensation)."""

from __future__ import annotations

from fractions import Fraction


def timecode(frames: int, rate: Fraction, *, drop: bool = False) -> str:
    """`hh:mm:ss:ff` of a frame counted from midnight at `rate` frames a second; wraps at 24 hours.

    `drop`: drop-frame counting (numbers are left out so that the count keeps to the clock), written `hh:mm:ss;ff`.
    Rates of no use (below 1, above 240) give an empty text.
    """
    nominal = -(-rate.numerator // rate.denominator)
    if not 1 <= nominal <= 240:
        return ""
    if drop:
        dropped = nominal // 15
        ten_minutes, rest = divmod(frames, nominal * 600 - dropped * 9)
        minutes = max(rest - dropped, 0) // (nominal * 60 - dropped)
        frames += ten_minutes * dropped * 9 + minutes * dropped
    seconds, frame = divmod(frames, nominal)
    return f"{seconds // 3600 % 24:02}:{seconds // 60 % 60:02}:{seconds % 60:02}{';' if drop else ':'}{frame:02}"
