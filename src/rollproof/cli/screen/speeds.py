"""How fast something moves, from what it has moved lately. Pure; the clock is the caller's."""

from __future__ import annotations

from collections import deque

_SPACING_SECONDS = 0.25  # thousands of small files a second must not make thousands of samples
_ENOUGH_SECONDS = 1.0  # a rate from less than this says more about caches than about the drive


class Speed:
    """Bytes moved over the last `window_seconds`, as a rate."""

    __slots__ = ("_first", "_samples", "_total", "_window")

    def __init__(self, started: float, window_seconds: float = 20.0) -> None:
        self._first = started
        self._total = 0
        self._window = window_seconds
        self._samples: deque[tuple[float, int]] = deque([(started, 0)])

    def add(self, now: float, moved_bytes: int) -> None:
        """Note that `moved_bytes` more have moved."""
        self._total += moved_bytes
        if len(self._samples) > 1 and now - self._samples[-2][0] < _SPACING_SECONDS:
            self._samples[-1] = (now, self._total)
        else:
            self._samples.append((now, self._total))
        # one sample older than the window stays: the rate is measured from it
        while len(self._samples) > 2 and self._samples[1][0] <= now - self._window:
            self._samples.popleft()

    def rate(self, now: float) -> float | None:
        """Bytes per second lately; 0.0 when nothing moved within the window, None while it is too early to say."""
        since = max(self._first, now - self._window)
        if now - self._first < _ENOUGH_SECONDS:
            return None
        before = 0
        for at, total in self._samples:
            if at > since:
                break
            before = total
        return (self._total - before) / (now - since)

    def overall(self, now: float) -> float | None:
        """Bytes per second since the start; None while it is too early or nothing has moved."""
        if now - self._first < _ENOUGH_SECONDS or not self._total:
            return None
        return self._total / (now - self._first)
