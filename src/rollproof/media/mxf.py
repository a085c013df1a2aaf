"""MXF: partitions and the random index pack.

SMPTE ST 377-1: 6.3.1 KLV, 6.5 run-in, 7.1 partition pack (open or closed, complete or incomplete), 12 random index
pack.
"""

from __future__ import annotations

from dataclasses import dataclass

from rollproof.media.problems import CannotSay, Problem
from rollproof.media.reading import be32, be64, is_zero
from rollproof.media.source import Source

NAME = "MXF"
_UNIVERSAL = bytes.fromhex("060e2b34")
_PARTITION = bytes.fromhex("060e2b34020501010d010201 01")
_RANDOM_INDEX = bytes.fromhex("060e2b34020501010d010201 011101")
_LONGEST_RUN_IN = 65536
_HEADER, _BODY, _FOOTER = 2, 3, 4
_CLOSED_COMPLETE = 4
_STATUS = {1: "open and incomplete", 2: "closed but incomplete", 3: "open", 4: "closed and complete"}
_MOST_STEPS = 2000
_MOST_INDEX_BYTES = 1024 * 1024
_MOST_PARTITIONS = 16
_LONGEST_FOOTER = 4 * 1024 * 1024
_MOST_CANDIDATES = 16

_NEVER_CLOSED = (
    "the recorder never closed the file: power or card was probably pulled; the picture data is there and may be"
    " recovered"
)
_CUT_SHORT = "the file ends too early: the end of the clip is not on this medium"


@dataclass(frozen=True, slots=True)
class Klv:
    """Key, and where its value begins and says it ends."""

    key: bytes
    start: int
    value: int
    end: int


@dataclass(frozen=True, slots=True)
class Partition:
    """A partition pack; `place` is where it says that it is itself, `footer` where it says that the footer partition is
    (0: not known when it was written)."""

    klv: Klv
    kind: int
    status: int
    place: int
    footer: int
    content_bytes: int

    @property
    def complete(self) -> bool:
        """Closed, with complete metadata."""
        return self.status == _CLOSED_COMPLETE


def recognises(head: bytes) -> bool:
    """Whether a file with these first bytes is MXF (a run-in before the header is only known by the file's name)."""
    return head[:13] == _PARTITION


def read_klv(source: Source, start: int) -> Klv | None:
    """The KLV at `start`; None where there is none. BER lengths: ST 379-1, short form or up to 8 bytes."""
    head = source.at(start, 25)
    if len(head) < 17 or head[:4] != _UNIVERSAL:
        return None
    first = head[16]
    if first < 0x80:
        return Klv(head[:16], start, start + 17, start + 17 + first)
    count = first & 0x7F
    if not 1 <= count <= 8 or len(head) < 17 + count:
        return None
    value = start + 17 + count
    return Klv(head[:16], start, value, value + int.from_bytes(head[17 : 17 + count], "big"))


def read_partition(source: Source, start: int) -> Partition | None:
    """The partition pack at `start`; None where there is none."""
    klv = read_klv(source, start)
    if klv is None or klv.key[:13] != _PARTITION or klv.key[13] not in (_HEADER, _BODY, _FOOTER):
        return None
    pack = source.at(klv.value, 48)
    if len(pack) < 48:
        return None
    return Partition(klv, klv.key[13], klv.key[14], be64(pack, 8), be64(pack, 24), be64(pack, 32) + be64(pack, 40))


def examine(source: Source) -> list[Problem]:
    """What is wrong with the structure of one file."""
    run_in = 0 if recognises(source.at(0, 16)) else source.at(0, _LONGEST_RUN_IN + 16).find(_PARTITION)
    header = read_partition(source, run_in) if run_in >= 0 else None
    if header is None or header.kind != _HEADER:
        return [Problem("damaged", "no header partition at its beginning", "the beginning of the clip is damaged")]
    index = _random_index(source)
    footer = _footer(source, header, index, run_in)
    if footer is None:
        return _without_footer(source, header, index, run_in)
    problems: list[Problem] = []
    if not header.complete and not footer.complete:
        detail = (
            f"the header partition is {_STATUS.get(header.status, 'of no known status')} and the footer partition at"
            f" byte {footer.klv.start:,} does not complete it"
        )
        problems.append(Problem("damaged", detail, _NEVER_CLOSED))
    problems += _after_footer(source, footer, has_index=bool(index))
    return problems or _lost_partitions(source, index, run_in)


def _random_index(source: Source) -> tuple[int, ...]:
    """Byte offsets of all partitions from the random index pack at the end of the file; empty without one."""
    size = source.size
    length = be32(source.at(size - 4, 4)) if size >= 4 else 0
    klv = read_klv(source, size - length) if 17 < length <= min(size, _MOST_INDEX_BYTES) else None
    if klv is None or klv.key[:15] != _RANDOM_INDEX or klv.end != size:
        return ()
    table = source.at(klv.value, size - 4 - klv.value)
    return tuple(be64(table, position + 4) for position in range(0, len(table) - 11, 12))


def _footer(source: Source, header: Partition, index: tuple[int, ...], run_in: int) -> Partition | None:
    places = [index[-1]] if index else []
    if header.footer:
        places.append(header.footer)
    for place in places:
        footer = read_partition(source, run_in + place)
        if footer is not None and footer.kind == _FOOTER:
            return footer
    return None


def _without_footer(source: Source, header: Partition, index: tuple[int, ...], run_in: int) -> list[Problem]:
    status = _STATUS.get(header.status, "of no known status")
    if header.footer:
        place = run_in + header.footer
        detail = f"the header promises a footer partition at byte {place:,}; "
        detail += f"the file ends at {source.size:,}" if place >= source.size else "none is there"
        return [Problem("damaged", detail, _CUT_SHORT)]
    if index and header.complete:
        return _lost_partitions(
            source, index, run_in
        )  # no footer, which the standard allows, and all the rest in place
    if not header.complete:
        footer = _footer_in_tail(source, run_in)
        if footer is not None and footer.complete:
            return _ran_out(source, _walk(source, footer.klv.start))
        detail = f"the header partition is {status} and no footer partition completes it"
        return [Problem("damaged", detail, _NEVER_CLOSED)]
    stopped = _walk(source, header.klv.start)
    if stopped is None:
        raise CannotSay("a closed header without a footer partition, and more parts than are looked at")
    return _ran_out(source, stopped)


def _footer_in_tail(source: Source, run_in: int) -> Partition | None:
    """A footer partition that nothing names: after it come at most the metadata and the index once more (7.1, 10)."""
    start = max(source.size - _LONGEST_FOOTER, run_in)
    tail = source.at(start, _LONGEST_FOOTER)
    place = len(tail)
    for _ in range(_MOST_CANDIDATES):
        place = tail.rfind(_PARTITION, 0, place)
        if place < 0:
            return None
        found = read_partition(source, start + place)
        if found is None or found.kind != _FOOTER:
            continue
        # a pack says where it is itself, or else leads to the end: bytes of a picture that look like one do not
        if found.place == found.klv.start - run_in or _walk(source, found.klv.start) == source.size:
            return found
    return None


def _walk(source: Source, start: int) -> int | None:
    """Where a walk over the KLVs from `start` ends; None when there are too many."""
    position = start
    for _ in range(_MOST_STEPS):
        klv = read_klv(source, position)
        if klv is None:
            return position
        position = klv.end
    return None


def _ran_out(source: Source, stopped: int | None) -> list[Problem]:
    if stopped is None or stopped == source.size:
        return []
    if stopped > source.size:
        return [Problem("damaged", f"the last part says it ends at {stopped:,} of {source.size:,} bytes", _CUT_SHORT)]
    rest = source.size - stopped
    if is_zero(source.at(stopped, min(rest, 65536))) and rest <= 65536:
        return []
    return [Problem("damaged", f"the bytes from {stopped:,} on are no part of an MXF file", _CUT_SHORT)]


def _after_footer(source: Source, footer: Partition, *, has_index: bool) -> list[Problem]:
    """From the footer partition every KLV leads to the next, up to the end of the file."""
    if footer.klv.end + footer.content_bytes > source.size:
        detail = f"the footer partition at byte {footer.klv.start:,} says it goes on beyond the end of the file"
        return [Problem("damaged", detail, _CUT_SHORT)]
    if has_index:
        return []
    stopped = _walk(source, footer.klv.start)
    if _RANDOM_INDEX in source.at(footer.klv.end, _MOST_INDEX_BYTES):
        return _ran_out(source, stopped)
    if stopped is not None and stopped < source.size:
        detail = f"the bytes from {stopped:,} on are no part of an MXF file"
        return [Problem("damaged", detail, "the end of the file was never written")]
    return _ran_out(source, stopped) or [
        Problem(
            "odd",
            "no random index pack at the end of the file",
            "the standard does not demand it, but recorders write one: the very last bytes may be missing",
        )
    ]


def _lost_partitions(source: Source, index: tuple[int, ...], run_in: int) -> list[Problem]:
    """Every partition that the random index pack names is where it says: of many, the first and the last ones."""
    places = (
        index if len(index) <= _MOST_PARTITIONS else index[: _MOST_PARTITIONS // 2] + index[-_MOST_PARTITIONS // 2 :]
    )
    lost = [place for place in places if read_partition(source, run_in + place) is None]
    if not lost:
        return []
    detail = f"no partition at byte {run_in + lost[0]:,}, where the random index pack says there is one"
    return [Problem("damaged", detail, "a part of the clip is missing or overwritten")]
