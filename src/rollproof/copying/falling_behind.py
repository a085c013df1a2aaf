"""Which drive holds all others back so much that they had better go on without it."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from rollproof.copying.settings import Settings


def who_falls_behind(
    waited: Mapping[frozenset[str], float], following: Collection[str], seconds: float, settings: Settings
) -> str | None:
    """The drive to let go of, or None.

    `waited` is `ParcelStream.waited()`, `following` the drives that still take part, `seconds` how long the copying
    has run. Time counts against a drive only where some other drive was ahead of it and no hashing was behind too:
    drives that are equally slow wait for nobody, and slow hashing is no drive's fault.
    """
    drives = frozenset(following)
    held: dict[str, float] = {}
    for holding, spent in waited.items():
        if holding and holding < drives:
            for drive in holding:
                held[drive] = held.get(drive, 0.0) + spent
    if not held:
        return None
    slowest = max(held, key=lambda drive: held[drive])
    too_long = held[slowest] >= max(settings.behind_seconds, settings.behind_share * seconds)
    return slowest if too_long else None
