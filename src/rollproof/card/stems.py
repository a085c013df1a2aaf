"""Where a shorter stem may end inside a longer one."""

from __future__ import annotations

from collections.abc import Iterator


def ends(stem: bytes) -> Iterator[int]:
    """Where a shorter stem may end inside a longer one, longest first: only where the kind of letter changes, so that
    `C1` is no beginning of `C10M01`, nor `bell` of `bellows`."""
    yield len(stem)
    for end in range(len(stem) - 1, 0, -1):
        if _sort_of(stem[end - 1]) != _sort_of(stem[end]):
            yield end


def _sort_of(byte: int) -> int:
    if 0x30 <= byte <= 0x39:
        return 0
    if 0x41 <= byte <= 0x5A or 0x61 <= byte <= 0x7A or byte >= 0x80:
        return 1
    return 2
