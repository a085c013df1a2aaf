"""Too few copies because a drive is away: the drive is the cause, told once for all its rolls."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rollproof.models.volumes import Device
from rollproof.proof.devices import count_devices


@dataclass(frozen=True, slots=True)
class AwayCopy:
    """A copy that was proven when it was last spoken of, on a drive that was not looked at. Never counted: it only
    explains what is lacking."""

    drive: str
    device: Device


@dataclass(frozen=True, slots=True)
class ShortRoll:
    """A roll with fewer counted copies than are asked for, the devices of those that count, and what is away."""

    number: int
    required: int
    counted: tuple[Device, ...]
    away: tuple[AwayCopy, ...]


def causes(rolls: Iterable[ShortRoll]) -> list[tuple[tuple[str, ...], tuple[int, ...]]]:
    """Sets of drives that are away, and the rolls that lack copies for no other reason: with those drives they would
    have enough. Rolls that would still be short, or have nothing away, are in none."""
    found: dict[tuple[str, ...], list[int]] = {}
    for roll in rolls:
        drives = _explaining(roll)
        if drives:
            found.setdefault(drives, []).append(roll.number)
    return sorted((drives, tuple(numbers)) for drives, numbers in found.items())


def _explaining(roll: ShortRoll) -> tuple[str, ...]:
    if _count(roll, roll.away) < roll.required:
        return ()
    return tuple(sorted({copy.drive for copy in roll.away}))


def _count(roll: ShortRoll, away: Sequence[AwayCopy]) -> int:
    return count_devices([*roll.counted, *(copy.device for copy in away)])
