"""Long takes that a camera cut into numbered files: gaps between the numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise

from rollproof.media.problems import Problem

_SHOWN = 5


def examine_segments(numbers: Sequence[int], *, first: int = 1) -> tuple[Problem, ...]:
    """Gaps and doubles among the numbers of one take's segments, which begin at `first` where nothing is missing.

    A gap between segments is *damaged*; a missing beginning is *odd* (the take may run over two cards). A missing end
    cannot be seen from numbers.
    """
    problems: list[Problem] = []
    gaps, doubles = gaps_and_doubles(numbers)
    if gaps:
        problems.append(
            Problem(
                "damaged",
                f"missing between the others: segment {ranges(gaps)}",
                "a part out of the middle of the take is not on this medium",
            )
        )
    if doubles:
        problems.append(
            Problem(
                "odd", f"twice: segment {ranges((n, n) for n in doubles)}", "two files claim the same part of the take"
            )
        )
    if numbers and min(numbers) > first:
        problems.append(
            Problem(
                "odd",
                f"the first segment here is {min(numbers)}, not {first}",
                "the beginning of the take may be on another card",
            )
        )
    return tuple(problems)


def gaps_and_doubles(numbers: Iterable[int]) -> tuple[list[tuple[int, int]], list[int]]:
    """Ranges (first, last) that are missing between the lowest and the highest number, and numbers met twice."""
    met = Counter(numbers)
    ordered = sorted(met)
    gaps = [(before + 1, after - 1) for before, after in pairwise(ordered) if after - before > 1]
    return gaps, [number for number in ordered if met[number] > 1]


def ranges(found: Iterable[tuple[int, int]]) -> str:
    """Ranges of numbers for people: `7, 12–15 and 3 more`."""
    parts = [str(first) if first == last else f"{first}–{last}" for first, last in found]
    shown = ", ".join(parts[:_SHOWN])
    return shown if len(parts) <= _SHOWN else f"{shown} and {len(parts) - _SHOWN:,} more"
