"""Which drive holds all others back so much that they had better go on without it, and what is said of it then."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rollproof.models.counting import count_of
from rollproof.models.findings import Finding, Kind, error, warning
from rollproof.models.names import shown
from rollproof.reading.parcels import Waited
from rollproof.reading.settings import Settings

_FEWEST_WAITS = 8  # fewer say nothing about how much waits differ
_CHANCE = 9.0
"""So many times what the waits would add up to by chance, as much as they differ from each other. Equal drives have
streaks: played 200 times with calls that spread as wide as their mean, none of two came so far and one of three, of
four and of six did. A steady drive of a fifth of the other's speed does within a second or two."""


def who_falls_behind(
    waited: Mapping[frozenset[str], Waited], following: Mapping[str, int], seconds: float, settings: Settings
) -> str | None:
    """The drive to let go of, or None.

    `waited` is `ParcelStream.waited()`, `following` the drives that still take part with the bytes they get written,
    `seconds` how long the copying has run. Time counts against a drive only where some other drive had nothing left
    to do and no hashing was behind too: slow hashing is no drive's fault. What the other one held this one back is
    taken off: two equal drives wait for each other in turn. A few long waits say little, because every drive has calls
    that take long once; one that does not end says enough. And a drive that has less to write, because a part of the
    roll stands there already, is idle for that part however fast the other one is.
    """
    enough = max(settings.behind_seconds, settings.behind_share * seconds)
    slowest, most = None, 0.0
    for drive, size in following.items():
        for other in following:
            if other == drive:
                continue
            less = max(1.0 - following[other] / size, 0.0) if size else 0.0
            net = _net(waited, following, drive, other, settings) - less * seconds
            if net >= enough and net > most:
                slowest, most = drive, net
    return slowest


def _net(
    waited: Mapping[frozenset[str], Waited], following: Mapping[str, int], drive: str, other: str, settings: Settings
) -> float:
    """For how many seconds more `drive` held `other` back than the other way round; 0 for what may be chance."""
    counted = [(busy, spent) for busy, spent in waited.items() if busy <= following.keys()]
    against = [spent for busy, spent in counted if drive in busy and other not in busy]
    back = [spent for busy, spent in counted if other in busy and drive not in busy]
    both = [*against, *back]
    count = sum(spent.count for spent in both)
    net = sum(spent.seconds for spent in against) - sum(spent.seconds for spent in back)
    if any(spent.longest >= settings.behind_once_seconds for spent in against):
        return net
    if net <= 0 or count < _FEWEST_WAITS:
        return 0.0
    differ = max(sum(spent.squares for spent in both) - net * net / count, 0.0)
    return net if net >= _CHANCE * math.sqrt(differ) else 0.0


_CHECK_IT = "check its cable and port: a drive that gets slower may be failing"


def fell_behind(drive: str) -> Finding:
    """Said when the others go on without a drive."""
    return warning(
        Kind.FELL_BEHIND,
        "the drive is much slower than the others, which go on without it; it gets the rest from another drive's copy",
        drive=drive,
        remedy=f"leave all drives attached until it is done; {_CHECK_IT}",
    )


def had_fallen_behind(drive: str) -> Finding:
    """The same at the end, whatever became of the drive."""
    detail = "the drive was much slower than the others, which went on without it"
    return warning(Kind.FELL_BEHIND, detail, drive=drive, remedy=_CHECK_IT)


def nobody_to_follow(drive: str, files: int) -> Finding:
    """The failure of a drive that fell behind when no whole copy was left to get the rest from."""
    return error(
        Kind.DRIVE_FAILED,
        f"the drive fell behind, and no other drive was left to get the last {count_of(files, 'file')} from",
        drive=drive,
        remedy="keep the card; run the same command again: what is there is not copied twice",
    )


def not_to_be_had(path: bytes, drive: str) -> Finding:
    """A file that no other drive's copy gave as the card had it."""
    name = shown(path)
    return error(
        Kind.READBACK_DIFFERS,
        f"{name} is missing on the drive: it fell behind, and no other drive's copy was good",
        path=name,
        drive=drive,
        remedy="keep the card; run the same command again",
    )


def not_the_cards(path: bytes, donor: str) -> Finding:
    """What another drive's copy gave is not what the card holds: it is not passed on."""
    name = shown(path)
    return error(
        Kind.READBACK_DIFFERS,
        f"{name}, read from the copy on {donor}, is not what the card holds",
        path=name,
        drive=donor,
        remedy="keep the card; run the same command again",
    )
