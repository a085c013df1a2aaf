"""AIFF, AVI and Wave64: containers of chunks beside WAV, judged by their sizes and the parts they must have.

AIFF-C, sections 2 to 4 (FORM, COMM, SSND); OpenDML AVI extensions 1.02, section 3 (RIFF AVI, AVIX, movi);
Wave64 (chunks named by GUIDs with 64-bit sizes, aligned to 8 bytes).
"""

from __future__ import annotations

from rollproof.media.chunks import UNSET, ChunkWalk, walk
from rollproof.media.problems import Problem
from rollproof.media.reading import be32, is_zero, le32, le64, zeros_from
from rollproof.media.source import Source

_CUT_SHORT = "the file ends too early: the end of the clip is not on this medium"
_NEVER_FINISHED = "the recorder never finished the header: power or card was probably pulled; try a recovery"
_INDEX_LOST = "the index was never written or is damaged: players may refuse the clip; the pictures may be recovered"
_GUID_TAIL = bytes.fromhex("2e91cf11a5d628db04c10000")
_GUID_TAIL_WAVE = bytes.fromhex("f3acd3118cd100c04f8edb8a")
_MOST_SEGMENTS = 1000


def recognises_aiff(head: bytes) -> bool:
    """Whether a file with these first bytes is AIFF or AIFF-C."""
    return head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC")


def examine_aiff(source: Source) -> list[Problem]:
    """What is wrong with the structure of one AIFF file."""
    head = source.at(0, 12)
    if not recognises_aiff(head):
        return [Problem("damaged", "no FORM AIFF header at its beginning", "the beginning of the take is damaged")]
    said = be32(head, 4) + 8
    chunks = walk(source, 12, source.size, "big")
    sound = chunks.first(b"SSND")
    if sound is None or chunks.first(b"COMM") is None:
        return [Problem("damaged", "no COMM or no SSND chunk", _NEVER_FINISHED)]
    if sound.size <= 8:
        return [Problem("damaged", f"the SSND chunk at byte {sound.start:,} says it is empty", _NEVER_FINISHED)]
    end = max(chunk.end for chunk in chunks.chunks if chunk.start < said or chunk is sound)
    return _said_and_there(source, said, end, whole=chunks.why == "end")


def recognises_avi(head: bytes) -> bool:
    """Whether a file with these first bytes is AVI."""
    return head[:4] == b"RIFF" and head[8:11] == b"AVI"


def examine_avi(source: Source) -> list[Problem]:
    """What is wrong with the structure of one AVI file: every RIFF segment, and the lists of the first."""
    head = source.at(0, 12)
    if not recognises_avi(head):
        return [Problem("damaged", "no RIFF AVI header at its beginning", "the beginning of the clip is damaged")]
    if le32(head, 4) in (0, UNSET):
        return [Problem("damaged", "the size in the header was never filled in", _NEVER_FINISHED)]
    end = 0
    for _ in range(_MOST_SEGMENTS):
        segment = source.at(end, 12)
        if segment[:4] != b"RIFF":
            break
        size = le32(segment, 4)
        end += 8 + size + size % 2
    if end > source.size + 1:
        return [Problem("damaged", f"the last segment says it ends at {end:,} of {source.size:,} bytes", _CUT_SHORT)]
    first_end = min(8 + le32(head, 4), source.size)
    first = walk(source, 12, first_end, "little")
    lists = {source.at(chunk.payload, 4): chunk for chunk in first.chunks if chunk.code == b"LIST"}
    if b"hdrl" not in lists or b"movi" not in lists:
        return [Problem("damaged", "no header list or no picture list (hdrl, movi)", _NEVER_FINISHED)]
    if lists[b"movi"].size <= 4:
        return [Problem("damaged", "the picture list says it is empty", _NEVER_FINISHED)]
    broken = _avi_parts(source, first, first_end)
    if broken is not None:
        return [broken]
    if end < source.size and not zeros_from(source, end):
        detail = f"{source.size - end:,} bytes follow the last segment"
        return [Problem("odd", detail, "something follows the clip that its header does not name")]
    return []


def _avi_parts(source: Source, parts: ChunkWalk, end: int) -> Problem | None:
    """Whether the parts of the first segment fill it, and the index at its end holds something."""
    last = parts.chunks[-1]
    if last.end > end + 1:
        detail = f"a part at byte {last.start:,} says it ends at {last.end:,}, not {end:,}"
        return Problem("damaged", detail, _CUT_SHORT)
    index = parts.first(b"idx1")
    if parts.why == "no chunk" and end - parts.stopped >= 8:
        detail = f"the bytes from {parts.stopped:,} on are no part of the clip"
        return Problem("odd" if index else "damaged", detail, _INDEX_LOST)
    if index is not None and index.size >= 16 and is_zero(source.at(index.end - 16, 16)):
        return Problem("damaged", f"the index at byte {index.start:,} ends in zeros", _INDEX_LOST)
    return None


def recognises_w64(head: bytes) -> bool:
    """Whether a file with these first bytes is Wave64."""
    return head[:4] == b"riff" and head[4:16] == _GUID_TAIL


def examine_w64(source: Source) -> list[Problem]:
    """What is wrong with the structure of one Wave64 file."""
    head = source.at(0, 40)
    if not recognises_w64(head) or head[28:40] != _GUID_TAIL_WAVE:
        return [Problem("damaged", "no Wave64 header at its beginning", "the beginning of the take is damaged")]
    said = le64(head, 16)
    position, end, data, form = 40, 40, -1, False
    for _ in range(_MOST_SEGMENTS):
        chunk = source.at(position, 24)
        size = le64(chunk, 16)
        if len(chunk) < 24 or size < 24:
            break
        end = position + size
        form = form or chunk[:4] == b"fmt "
        if chunk[:4] == b"data":
            data = size - 24
        position = end + -end % 8
    if data <= 0 or not form:
        return [Problem("damaged", "no fmt chunk, no data chunk, or an empty one", _NEVER_FINISHED)]
    return _said_and_there(source, said, end, whole=position >= source.size)


def _said_and_there(source: Source, said: int, end: int, *, whole: bool) -> list[Problem]:
    """Compare the header's size and the end of the last chunk with the file. Padding to 8 bytes may be left out."""
    size = source.size
    if said == 0 or said >= 1 << 62:
        return [Problem("damaged", "the size in the header was never filled in", _NEVER_FINISHED)]
    if end > size:
        return [Problem("damaged", f"a chunk says it ends at {end:,} of {size:,} bytes", _CUT_SHORT)]
    if said > size + 8:
        return [Problem("damaged", f"the header says {said:,} bytes; the file has {size:,}", _CUT_SHORT)]
    if max(said, end) < size - 8 and not whole and not zeros_from(source, max(said, end)):
        detail = f"the header says {said:,} bytes; the file has {size:,}"
        return [Problem("damaged", detail, "sound after that point is in the file but will not be played")]
    return []
