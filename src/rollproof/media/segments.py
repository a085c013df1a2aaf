"""Long takes that a camera cut into numbered files: gaps between the numbers."""

from __future__ import annotations

from collections.abc import Sequence

from rollproof.media.problems import Problem


def examine_segments(numbers: Sequence[int], *, first: int = 1) -> tuple[Problem, ...]:
    """Gaps and doubles among the numbers of one take's segments, which begin at `first` where nothing is missing.

    A gap between segments is *damaged*; a missing beginning is *odd* (the take may run over two cards). A missing end
    cannot be seen from numbers.
    """
    return ()
