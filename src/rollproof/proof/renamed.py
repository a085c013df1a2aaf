"""A recorded file that is not there, and a file that no record names: one file under a new name?

A hash that was read says so. Size and date say it only perhaps, and are never taken for content: whoever tells it says
"probably". Nothing is said where several files fit, unless one alone has kept its last name (it was moved), and nothing
of empty files.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

_COMPARED = 50
"""Files of one size that are compared each with each; of more (frames), only those with the same last name."""


@dataclass(frozen=True, slots=True)
class FileFacts:
    """A file as it was recorded, or as it lies there; what is not known of it is None, or no hash."""

    path: bytes
    size: int | None
    modified_ns: int | None = None
    hashes: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class NewName:
    """Where a recorded file lies now; `is_read` is whether its content was read and is the recorded one."""

    path: bytes
    is_read: bool


def new_names(gone: Sequence[FileFacts], found: Sequence[FileFacts], granularity_ns: int = 1) -> dict[bytes, NewName]:
    """The new name of each recorded file that is gone, where one can be told. Dates are one that lie closer together
    than the file system's `granularity_ns`."""

    def alike(one: FileFacts, other: FileFacts) -> bool:
        # a hash that was read and is another one speaks louder
        if one.modified_ns is None or other.modified_ns is None:
            return False
        return abs(one.modified_ns - other.modified_ns) < max(granularity_ns, 1) and all(_shared(one, other))

    names = {one: NewName(other, is_read=True) for one, other in _pairs(gone, found, _same_content).items()}
    taken = {name.path for name in names.values()}
    gone = [each for each in gone if each.path not in names]
    found = [each for each in found if each.path not in taken]
    return names | {one: NewName(other, is_read=False) for one, other in _pairs(gone, found, alike).items()}


def _same_content(one: FileFacts, other: FileFacts) -> bool:
    shared = _shared(one, other)
    return bool(shared) and all(shared) and one.size in (None, other.size)


def _shared(one: FileFacts, other: FileFacts) -> list[bool]:
    mine, theirs = one.hashes or {}, other.hashes or {}
    return [mine[name] == theirs[name] for name in mine.keys() & theirs.keys()]


def _pairs(
    gone: Sequence[FileFacts], found: Sequence[FileFacts], fits: Callable[[FileFacts, FileFacts], bool]
) -> dict[bytes, bytes]:
    """Each gone file with the only file that fits it and fits no other one."""
    by_size: dict[int | None, list[FileFacts]] = {}
    by_name: dict[tuple[int | None, bytes], list[FileFacts]] = {}
    for each in found:
        if each.size:
            by_size.setdefault(each.size, []).append(each)
            by_name.setdefault((each.size, _last(each)), []).append(each)
    out: dict[bytes, bytes] = {}
    claimed: dict[bytes, int] = {}
    for one in gone:
        near = by_size.get(one.size, [])
        if len(near) > _COMPARED:
            near = by_name.get((one.size, _last(one)), [])
        fitting = [other for other in near[:_COMPARED] if fits(one, other)]
        if len(fitting) > 1:
            fitting = [other for other in fitting if _last(other) == _last(one)]
        if len(fitting) == 1:
            out[one.path] = fitting[0].path
            claimed[fitting[0].path] = claimed.get(fitting[0].path, 0) + 1
    return {one: other for one, other in out.items() if claimed[other] == 1}


def _last(each: FileFacts) -> bytes:
    return each.path.rpartition(b"/")[2]
