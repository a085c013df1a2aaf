"""Whether a mount may be older than the card that lies in the reader now.

A computer that sleeps does not see that a card was exchanged: the mount shows what the first card held, out of memory,
and what is read through it may be that of either. Sleeps are counted, by a clock that goes on in them against one that
stands still.
"""

from __future__ import annotations

LEAST_SECONDS = 1.0
"""The two clocks are read one after the other: less than this is no sleep."""


def slept_since(then: float | None, now: float | None) -> float:
    """For how many seconds the computer slept between two readings of its count of them; 0 when it did not, or where
    sleeps cannot be counted."""
    if then is None or now is None:
        return 0.0
    return now - then if now - then >= LEAST_SECONDS else 0.0


def medium_key(boot_id: str | None, disk_sequence: int | None, volume_serial: str | None) -> str | None:
    """What tells that a medium was put in anew: the disk's number in this boot; where the system gives none, only a
    restart does. None where neither is known."""
    if boot_id is None:
        return None
    if disk_sequence is not None:
        return f"{boot_id} disk {disk_sequence}"
    return f"{boot_id} volume {volume_serial}" if volume_serial is not None else None
