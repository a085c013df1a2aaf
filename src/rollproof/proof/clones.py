"""Is an attached drive the one that its records speak of, or a clone of it?

A clone has the volume identity of its original, and its records too; what differs is the device. The same is seen of a
drive that was put into another case which gives the device another name. The two can be told apart only while the
original is attached as well.

| the device that the offloads on the drive name              | the drive is                |
|-------------------------------------------------------------|-----------------------------|
| none with this volume identity, or one that cannot be told  | itself                      |
| this one                                                    | itself                      |
| another, and that one is attached too                       | a clone                     |
| another, and the newest records name this one               | itself, proven where it is  |
| another, and it is not attached                             | a clone, or in another case |
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum


class Likeness(StrEnum):
    """What a drive is by its records."""

    ITSELF = "itself"
    CLONE = "a clone"
    CLONE_OR_CASE = "a clone, or in another case"


@dataclass(frozen=True, slots=True)
class VolumeOnDevice:
    """A volume by its identity, on a device by its key; None where it could not be told."""

    serial: str | None
    device: str | None


@dataclass(frozen=True, slots=True)
class CloneFacts:
    """An attached drive, what the offloads and the newest records on it name, and what else is attached."""

    here: VolumeOnDevice
    offloaded_to: frozenset[VolumeOnDevice] = frozenset()
    newest: frozenset[VolumeOnDevice] = frozenset()
    attached: frozenset[VolumeOnDevice] = frozenset()


def likeness(facts: CloneFacts) -> Likeness:
    """See the table above."""
    here = facts.here
    if here.serial is None or here.device is None:
        return Likeness.ITSELF
    originals = _elsewhere(facts.offloaded_to, here)
    if here in facts.offloaded_to or not originals:
        return Likeness.ITSELF
    if not originals.isdisjoint(facts.attached):
        return Likeness.CLONE
    return Likeness.ITSELF if here in facts.newest else Likeness.CLONE_OR_CASE


def _elsewhere(named: Collection[VolumeOnDevice], here: VolumeOnDevice) -> frozenset[VolumeOnDevice]:
    """The same volume on other devices that could be told."""
    return frozenset(each for each in named if each.serial == here.serial and each.device not in (None, here.device))
