"""MPEG transport streams: packets of 188 bytes, or 192 with an arrival time before each (mts, m2ts), or 204.

ISO/IEC 13818-1, 2.4.3.2 (packet, sync byte 0x47). In the 192-byte form 32 packets make one aligned unit.
"""

from __future__ import annotations

from rollproof.media.problems import Problem
from rollproof.media.reading import zeros_from
from rollproof.media.source import Source

NAME = "MPEG transport stream"
_SYNC = 0x47
_IN_A_ROW = 5
_FORMS = ((192, 4), (188, 0), (204, 0))
"""Packet length, and where in it the sync byte stands."""

_UNIT = 32 * 192
_SPOTS = 10
_PACKETS_PER_SPOT = 64
_LONGEST_FOREIGN_HEAD = 1024


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is a transport stream that begins with a whole packet."""
    return _form(head) is not None


def _form(head: bytes) -> tuple[int, int] | None:
    for length, sync in _FORMS:
        if len(head) > sync + length * (_IN_A_ROW - 1) and _in_step(head, length, sync, _IN_A_ROW):
            return length, sync
    return None


def _in_step(data: bytes, length: int, sync: int, packets: int = 1 << 30) -> bool:
    return all(byte == _SYNC for byte in data[sync::length][:packets])


def examine(source: Source) -> list[Problem]:
    """What is wrong with the structure of one file: its length, and the sync bytes at ten places."""
    head = source.at(0, 16 * 1024)
    start = 0
    form = _form(head)
    if form is None:
        for start in range(1, _LONGEST_FOREIGN_HEAD):
            form = _form(head[start : start + 1024])
            if form is not None:
                break
    if form is None:
        if source.size < _IN_A_ROW * 204:
            return [Problem("damaged", f"only {source.size:,} bytes", "the recording was broken off at its beginning")]
        return [Problem("damaged", "no packets at its beginning", "the beginning of the clip is damaged")]
    length, sync = form
    problems: list[Problem] = []
    if start:
        detail = f"the first whole packet begins at byte {start}"
        problems.append(Problem("odd", detail, "the very beginning of the clip is cut off"))
    packets, rest = divmod(source.size - start, length)
    problems += _out_of_step(source, start, length, sync, packets)
    if rest and not problems:
        detail = f"{source.size:,} bytes are no whole number of packets of {length}: {rest} too many"
        problems.append(Problem("damaged", detail, "the file ends too early: the end of the clip is cut off"))
    elif length == 192 and source.size % _UNIT and not problems:
        detail = f"{source.size:,} bytes are no whole number of units of {_UNIT:,}"
        problems.append(Problem("odd", detail, "the end of the clip may be cut off"))
    return problems


def _out_of_step(source: Source, start: int, length: int, sync: int, packets: int) -> list[Problem]:
    """Look at stretches of packets, evenly spread, the last one at the end."""
    stretch = min(packets, _PACKETS_PER_SPOT)
    spots = {start + (packets - stretch) * spot // (_SPOTS - 1) * length for spot in range(_SPOTS)}
    for place in sorted(spots):
        data = source.at(place, stretch * length)
        if _in_step(data, length, sync):
            continue
        first = next(number for number, byte in enumerate(data[sync::length]) if byte != _SYNC)
        where = place + first * length
        if zeros_from(source, where):
            detail = f"nothing but zeros from byte {where:,} on"
            return [Problem("damaged", detail, "the end of the clip was never written")]
        detail = f"no sync byte where the packet at byte {where:,} begins"
        return [Problem("damaged", detail, "a part of the clip is missing or overwritten")]
    return []
