"""Frame sequences: one file per frame, judged as one clip.

The numbers and sizes of all frames are compared. Headers are looked at by this rule: all of them in a sequence of at
most `EVERY_FRAME` frames; else the first, the last, `SAMPLED` evenly spread between them, and the frames whose size
stands out.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from statistics import median

from rollproof.media.problems import FaultState, FileHealth, Problem, health
from rollproof.media.segments import gaps_and_doubles, ranges

Frame = tuple[int, int]
"""Frame number and size in bytes."""

EVERY_FRAME = 250
SAMPLED = 100
_MOST_OUTLIERS = 100
_NEIGHBOURS = 5
_MUCH = 4
"""A frame with less than a quarter of its neighbours' median is much smaller."""

_MOST_KINDS = 20
_A_HABIT = 10
"""Equal gaps between all frames are a way to number from this many on."""


def examine_sequence(
    frames: Sequence[Frame], look: Callable[[int], FileHealth] | None = None, *, container: str = ""
) -> FileHealth:
    """Judge a sequence: missing and doubled numbers, frames much smaller than their neighbours, and sampled headers.

    `frames` in any order. `look` examines the frame at an index of `frames` (the caller opens it and calls
    `health.examine`); OSError from it passes through. `container` names the sequence in the answer.
    """
    if not frames:
        return health(container, [], unknown="no frames")
    order = sorted(range(len(frames)), key=lambda index: frames[index])
    problems = _numbers(frames)
    small, alike = _small(frames, order)
    if small:
        problems.append(_too_small(frames, small, alike=alike))
    seen = {"unknown": ""}
    if look is not None:
        problems += _headers(frames, sample(order, small), look, seen)
    return health(container or seen.get("container", ""), problems, unknown=seen["unknown"])


def sample(order: Sequence[int], small: Sequence[int]) -> list[int]:
    """Which frames' headers are looked at (indexes), by the rule of this module."""
    if len(order) <= EVERY_FRAME:
        return list(order)
    spread = {order[(len(order) - 1) * place // (SAMPLED + 1)] for place in range(SAMPLED + 2)}
    return sorted(spread | set(small[:_MOST_OUTLIERS]))


def _numbers(frames: Sequence[Frame]) -> list[Problem]:
    gaps, doubles = gaps_and_doubles(number for number, _ in frames)
    if len(gaps) >= _A_HABIT and len({last - first for first, last in gaps}) == 1 and len(gaps) >= len(frames) - 1:
        gaps = []  # numbered in equal steps throughout (every second frame): nothing was lost at random
    problems: list[Problem] = []
    if gaps:
        missing = sum(last - first + 1 for first, last in gaps)
        problems.append(
            Problem(
                "damaged",
                f"{_frames(missing)} missing between the others: {ranges(gaps)}",
                "frames out of the middle of the clip are not on this medium: dropped while recording, or lost",
            )
        )
    if doubles:
        problems.append(
            Problem(
                "damaged",
                f"the same number more than once: {ranges((number, number) for number in doubles)}",
                "two files claim to be the same frame",
            )
        )
    return problems


def _small(frames: Sequence[Frame], order: Sequence[int]) -> tuple[list[int], bool]:
    """Indexes of the frames that are much smaller than their neighbours, and whether frames here are of one size."""
    usual, count = Counter(size for _, size in frames).most_common(1)[0]
    if len(frames) > 2 and count * 10 >= len(frames) * 9:
        return [index for index in order if frames[index][1] < usual], True
    sizes = [frames[index][1] for index in order]
    found: list[int] = []
    for place, index in enumerate(order):
        start = max(place - _NEIGHBOURS, 0)
        around = sizes[start:place] + sizes[place + 1 : place + 1 + _NEIGHBOURS]
        if not sizes[place] or (around and sizes[place] * _MUCH < median(around)):
            found.append(index)
    return found, False


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count:,} frames"


def _too_small(frames: Sequence[Frame], small: Sequence[int], *, alike: bool) -> Problem:
    """Frames of one size must all have it. Compressed ones shrink in the dark, so there it is only odd."""
    state: FaultState = "damaged" if alike or any(not frames[index][1] for index in small) else "odd"
    numbers = ranges((frames[index][0], frames[index][0]) for index in small)
    return Problem(
        state,
        f"{_frames(len(small))} smaller than their neighbours: {numbers}",
        "these frames were probably not written to their end" if state == "damaged" else "look at these frames",
    )


def _headers(
    frames: Sequence[Frame], chosen: Sequence[int], look: Callable[[int], FileHealth], seen: dict[str, str]
) -> list[Problem]:
    """What the headers of the chosen frames say, equal things said once."""
    found: dict[tuple[FaultState, str], list[tuple[int, str]]] = defaultdict(list)
    unknown = 0
    for index in chosen:
        answer = look(index)
        seen.setdefault("container", answer.container)
        if answer.state == "unknown":
            unknown += 1
            seen["unknown"] = answer.note
        for problem in answer.problems:
            if len(found) < _MOST_KINDS or (problem.state, problem.meaning) in found:
                found[problem.state, problem.meaning].append((frames[index][0], problem.detail))
    if unknown < len(chosen):
        seen["unknown"] = ""
    problems: list[Problem] = []
    for (state, meaning), where in found.items():
        numbers = ranges((number, number) for number, _ in where)
        detail = f"frame {numbers} (of {len(chosen):,} looked at): {where[0][1]}"
        problems.append(Problem(state, detail, meaning))
    return problems
