"""ISO base media files: mov, mp4, m4v, m4a, 3gp, and the camera raw files built the same way (crm, braw).

ISO/IEC 14496-12: 4.2 boxes, 8.1.1 media data, 8.2.1 movie, 8.7.5 chunk offsets, 8.8 fragments; ISO/IEC 23008-12 for
still pictures, which have `meta` in place of `moov`.
"""

from __future__ import annotations

from rollproof.media.iso_boxes import MOST_BOXES, Box, Walk, walk
from rollproof.media.iso_index import Index, Track, read_index
from rollproof.media.problems import CannotSay, Problem
from rollproof.media.reading import LONG_ZERO_TAIL, be32, code_text, is_zero, zeros_from
from rollproof.media.source import Source

NAME = "ISO media"
_FIRST_BOXES = frozenset(
    (b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"uuid", b"styp", b"sidx", b"moof")
)
_FILLERS = frozenset((b"free", b"skip", b"wide"))
_PLAIN_PICTURES = frozenset(
    b"raw |2vuy|2Vuy|yuv2|yuvs|v210|v216|v308|v408|v410|r210|R10k|R10g|b16g|b48r|b64a|BGRA|RGBA|ABGR|I420|YV12|NV12"
    b"|UYVY|YUY2|uncv|DIB |rle ".split(b"|")
)
"""Codecs of uncompressed pictures (and one that packs black to nothing): zeros are a picture there."""

_NEVER_FINISHED = (
    "the recorder never wrote the index: power or card was probably pulled; the picture data is there and may be"
    " recovered"
)
_CUT_SHORT = "the file ends too early: the end of the clip is not on this medium"
_INDEX_BROKEN = "the index is damaged: players may refuse the clip or stop in the middle"
_MOST_TINY = 64


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is an ISO base media file."""
    return head[4:8] in _FIRST_BOXES


def examine(source: Source) -> list[Problem]:
    """What is wrong with the structure of one file."""
    boxes = walk(source, 0, source.size)
    codes = {box.code for box in boxes.boxes}
    if not codes & _FIRST_BOXES:
        return [Problem("damaged", "no box of a media file at its beginning", "the beginning of the clip is damaged")]
    if boxes.why == "too many":
        raise CannotSay(f"more than {MOST_BOXES:,} boxes: only the beginning was looked at")
    still = b"moov" not in codes and b"meta" in codes and _still_picture(source, boxes)
    problems = _past_the_end(source, boxes, has_index=still or b"moov" in codes)
    if b"moov" in codes:
        problems += _indexed(source, boxes, cut=bool(problems))
    elif not still:
        problems.insert(0, _no_index(source, boxes))
    if boxes.why == "no box" and not problems:
        problems += _trailing(source, boxes, fragmented=b"moof" in codes)
    return problems


def _still_picture(source: Source, boxes: Walk) -> bool:
    """Whether the brands (ISO/IEC 23008-12, 10) say that the file is a photograph, which needs no `moov`."""
    brands = next((source.at(box.payload, 64) for box in boxes.boxes if box.code == b"ftyp"), b"")
    return any(brand in brands for brand in (b"heic", b"heix", b"mif1", b"mif2", b"avif"))


def _no_index(source: Source, boxes: Walk) -> Problem:
    data = [box for box in boxes.boxes if box.code == b"mdat"]
    where = f"no index (moov) in {source.size:,} bytes"
    if boxes.why == "no box":
        where += f"; from byte {boxes.stopped:,} on the bytes are no box"
    if data and data[-1].to_the_end:
        where += f"; the media data at byte {data[-1].start:,} has no size"
    return Problem("damaged", where, _NEVER_FINISHED if data else "the clip has no index and no media data")


def _past_the_end(source: Source, boxes: Walk, *, has_index: bool) -> list[Problem]:
    last = boxes.boxes[-1]
    if last.end <= source.size:
        return []
    detail = (
        f"{code_text(last.code)} at byte {last.start:,} says it ends at {last.end:,}; the file ends at {source.size:,}"
    )
    if last.code in _FILLERS and has_index:
        return [Problem("odd", detail, "only padding is cut off; the clip is probably whole")]
    return [Problem("damaged", detail, _CUT_SHORT)]


def _trailing(source: Source, boxes: Walk, *, fragmented: bool) -> list[Problem]:
    """What follows the last box. A few zeros are padding, unless another fragment was to come."""
    start, length = boxes.stopped, source.size - boxes.stopped
    if zeros_from(source, start):
        if length < LONG_ZERO_TAIL and not fragmented:
            return []
        return [
            Problem(
                "damaged" if fragmented and length >= LONG_ZERO_TAIL else "odd",
                f"{length:,} zero bytes after the last box",
                "the end of the clip may never have been written" if fragmented else "the file is padded with nothing",
            )
        ]
    detail = f"{length:,} bytes from byte {start:,} on are no box"
    if fragmented:
        return [Problem("damaged", detail, "what follows in this recording is damaged or cut off")]
    meaning = "something follows the clip that does not belong to it, or its end is damaged"
    return [Problem("odd", detail, meaning)]


def _indexed(source: Source, boxes: Walk, *, cut: bool) -> list[Problem]:
    """A file with an index: judged by the best of its indexes, where there are several."""
    best: list[Problem] | None = None
    for moov in [box for box in boxes.boxes if box.code == b"moov"][:4]:
        if moov.end > source.size:
            continue  # reported as past the end
        problems = _index_problems(source, boxes, read_index(source, moov), cut=cut)
        if not problems:
            return []
        best = best or problems
    return best or []


def _index_problems(source: Source, boxes: Walk, index: Index, *, cut: bool) -> list[Problem]:
    if index.compressed:
        return []
    data_bytes = sum(min(box.end, source.size) - box.payload for box in boxes.boxes if box.code == b"mdat")
    if not index.tracks:
        detail = f"the index names no track, beside {data_bytes:,} bytes of media data"
        return [Problem("damaged", detail, _NEVER_FINISHED)] if data_bytes else []
    problems: list[Problem] = []
    reach = max((track.last_end for track in index.tracks if not track.elsewhere), default=0)
    if boxes.why == "no box" and boxes.stopped < min(reach, source.size):
        detail = f"the bytes from {boxes.stopped:,} on are no box, but samples reach to byte {reach:,}"
        problems.append(Problem("damaged", detail, "the structure of the clip is broken in the middle"))
    for number, track in enumerate(index.tracks, start=1):
        problems += _track_problems(source, number, track, cut=cut)
    if index.fragmented:
        problems += _fragments(source, boxes, index)
    elif not problems and data_bytes > _MOST_TINY:
        if not any(track.samples for track in index.tracks):
            detail = f"no track of the index has a sample, beside {data_bytes:,} bytes of media data"
            problems.append(Problem("damaged", detail, _NEVER_FINISHED))
        elif index.duration == 0 and any(track.samples > 1 for track in index.tracks):
            # a photograph in this form has one sample and no duration
            nowhere = all(track.duration == 0 for track in index.tracks)
            problems.append(
                Problem(
                    "damaged" if nowhere else "odd",
                    f"the index says duration 0, beside {data_bytes:,} bytes of media data",
                    "the recorder never wrote the length of the clip" if nowhere else "players may show a wrong length",
                )
            )
    return problems


def _track_problems(source: Source, number: int, track: Track, *, cut: bool) -> list[Problem]:
    if not track.complete:
        return [Problem("damaged", f"track {number}: its sample table is incomplete", _INDEX_BROKEN)]
    if track.elsewhere or not track.samples:
        return []
    if not track.chunks:
        return [Problem("damaged", f"track {number}: {track.samples:,} samples and no place for them", _INDEX_BROKEN)]
    end = max(track.highest + 1, track.last_end)
    if end > source.size:
        # said once already where a box runs past the end of the file
        detail = f"track {number}: samples up to byte {end:,}; the file ends at {source.size:,}"
        return [] if cut else [Problem("damaged", detail, _CUT_SHORT)]
    if track.lowest < 8 and track.last_sample is not None and track.last_sample[1]:
        return [Problem("damaged", f"track {number}: samples at byte {track.lowest}", _INDEX_BROKEN)]
    return _empty_picture(source, number, track)


def _empty_picture(source: Source, number: int, track: Track) -> list[Problem]:
    """No compressed picture is nothing but zeros."""
    if track.kind != b"vide" or track.codec in _PLAIN_PICTURES or track.last_sample is None:
        return []
    offset, length = track.last_sample
    if length < _MOST_TINY or not is_zero(source.at(offset, min(length, 4096))):
        return []
    return [
        Problem(
            "damaged",
            f"track {number}: the last picture, at byte {offset:,}, is nothing but zeros",
            "the end of the clip was never written",
        )
    ]


def _fragments(source: Source, boxes: Walk, index: Index) -> list[Problem]:
    """Every fragment (`moof`) is followed by its media data before the file ends (8.8.4)."""
    waiting: Box | None = None
    for box in boxes.boxes:
        if box.code == b"moof":
            waiting = box
        elif box.code == b"mdat":
            waiting = None
    if waiting is None:
        last = boxes.boxes[-1]
        if last.code == b"mfra" and be32(source.at(source.size - 4, 4)) != last.end - last.start:
            detail = f"the table of fragments at byte {last.start:,} does not end as it must"
            return [Problem("odd", detail, "players can do without this table, but the end of the file is damaged")]
        if b"moof" in (box.code for box in boxes.boxes) or any(track.samples for track in index.tracks):
            return []
        return [Problem("damaged", "an index for fragments, and no fragment", "nothing was recorded after the start")]
    return [Problem("damaged", f"the fragment at byte {waiting.start:,} has no media data after it", _CUT_SHORT)]
