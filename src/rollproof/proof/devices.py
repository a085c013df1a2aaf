"""How many physical devices a set of copies lies on: the one place that counts them.

A device is known by its key (`drives.identity` makes them). A set of disks has the keys of all its disks. A disk image
on the computer's own disk has a key of its own and names the disk beneath; an image on any other drive has that
drive's key, because it is that drive.

What counts as one:

| two copies on                                                | count as              |
|--------------------------------------------------------------|-----------------------|
| volumes that have a disk in common (a set and one of it, too) | one                   |
| a disk image and the disk it lies on                         | one                   |
| two disk images on the computer's own disk                   | two, with a warning   |
| devices that could not be told, however many                 | one                   |
| this computer's memory                                       | none                  |
| the card's own device, or what lies on it or beneath it      | none                  |
| anything, where the card's device could not be told          | none                  |

The number is the largest one for which no two of the chosen copies count as one, whatever order they come in: copies on
a set A + B, on A and on B are two, because the copies on A and on B are each whole without the other. The set adds
nothing to them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from rollproof.models.volumes import Device

JOIN = " + "
"""Between the keys of a set of disks."""
IMAGE = "image:"
"""Begins the key of a disk image; the key of the disk beneath follows, then the image's path."""
_UNKNOWN_BENEATH = IMAGE + "unknown:"
_SEARCHED_STEPS = 20_000
"""Of the exact search; beyond, the number found so far is kept, which is never too large."""


def parts(key: str | None) -> frozenset[str]:
    """The keys of the single disks in a key."""
    return frozenset(key.split(JOIN)) if key else frozenset()


def share_a_device(one: Device, other: Device) -> bool | None:
    """Whether two volumes' devices have a disk in common; None when that cannot be told.

    A set of disks shares with a disk that is one of it. Whether one lies on the other is asked of `are_one`.
    """
    if one.key is None or other.key is None:
        return None
    return not parts(one.key).isdisjoint(parts(other.key))


def are_one(one: Device, other: Device) -> bool | None:
    """Whether copies on these two count as one: they have a disk in common, or one is a disk image on the other.

    None when one of them could not be told; two that could not be told are counted as one by `count_devices`.
    """
    shared = share_a_device(one, other)
    return True if shared is False and (_lies_on(one, other) or _lies_on(other, one)) else shared


def count_devices(devices: Iterable[Device], *, card: Device | None = None) -> int:
    """Each physical device once, sets of disks by their members, all unknown ones together once, never the card's.

    `devices` has one entry for each copy, in any order.
    """
    return len(chosen_devices(list(devices), card=card))


def image_on(lower: Device | None, own_key: str, *, own_disk: bool) -> tuple[str | None, str, bool]:
    """What a disk image is: its key, its kind, and whether another drive's cache may answer for it.

    `lower` is the device its file lies on (None: not to be told), `own_key` the key it has as a device of its own, as
    which it counts on the computer's own disk only (`own_disk`), so that all can be tried without drives.
    """
    if lower is not None and lower.kind == "memory":
        return None, "memory", False
    if own_disk:
        return own_key, "loop", False
    return (lower.key if lower is not None else None), "loop", True


def as_one(devices: Sequence[Device]) -> list[list[int]]:
    """The places of the copies in groups that are bound together: each counts as one with another of its group."""
    places = list(range(len(devices)))
    return _connected(places, _against(devices, places))


def worth(devices_proven: int, copies_required: int) -> Literal["proven", "too few copies", "not proven"]:
    """What copies on so many devices are worth together."""
    if not devices_proven:
        return "not proven"
    return "proven" if devices_proven >= copies_required else "too few copies"


def chosen_devices(devices: Sequence[Device], *, card: Device | None = None) -> list[int]:
    """The places of the copies that stand for their devices: as many as count, and of all such choices the one that
    has the earlier ones."""
    able = [
        place
        for place, device in enumerate(devices)
        if device.kind != "memory" and (card is None or _is_another(device, card))
    ]
    alike: dict[tuple[str | None, str | None], int] = {}
    for place in able:  # the first of those that are the same device stands for all of them
        alike.setdefault((devices[place].key, devices[place].beneath), place)
    places = list(alike.values())
    against = _against(devices, places)
    return sorted(place for group in _connected(places, against) for place in _largest(group, against))


def _is_another(device: Device, card: Device) -> bool:
    """Where the card's device cannot be told, no copy can be shown to lie on another one."""
    return card.key is not None and not are_one(device, card)


def _lies_on(one: Device, other: Device) -> bool:
    """Whether `one` is a disk image on a disk of `other`. What records and ledger keep of an image is its key alone."""
    below = parts(one.beneath)
    if not below.isdisjoint(parts(other.key)):
        return True
    if one.key is None or not one.key.startswith(IMAGE):
        return False
    named = f" {one.key.removeprefix(IMAGE)}"
    return any(f" {part}{end}" in named for part in parts(other.key) for end in (":", " "))


def _counted_once(one: Device, other: Device) -> bool:
    if one.key is None or other.key is None:
        known = one if other.key is None else other
        return known.key is None or known.key.startswith(_UNKNOWN_BENEATH)
    return bool(are_one(one, other))


def _against(devices: Sequence[Device], places: Sequence[int]) -> dict[int, frozenset[int]]:
    """For each place those that count as one with it."""
    return {
        one: frozenset(other for other in places if other != one and _counted_once(devices[one], devices[other]))
        for one in places
    }


def _connected(places: Sequence[int], against: dict[int, frozenset[int]]) -> list[list[int]]:
    """The places in groups that have nothing to do with each other."""
    groups: list[list[int]] = []
    left = dict.fromkeys(places)
    while left:
        group, waiting = [], [next(iter(left))]
        while waiting:
            place = waiting.pop()
            if place in left:
                del left[place]
                group.append(place)
                waiting += against[place]
        groups.append(sorted(group))
    return groups


def _largest(group: Sequence[int], against: dict[int, frozenset[int]]) -> list[int]:
    """The most places of which no two count as one; of several such choices the first in the order of the places."""
    best: list[int] = []
    steps = 0
    waiting: list[tuple[list[int], list[int]]] = [([], list(group))]
    while waiting and steps < _SEARCHED_STEPS:
        steps += 1
        taken, left = waiting.pop()
        if len(taken) > len(best):
            best = taken
        if len(taken) + len(left) <= len(best):
            continue
        first, rest = left[0], left[1:]
        if not against[first].isdisjoint(rest):  # else nothing is lost by taking it
            waiting.append((taken, rest))
        waiting.append(([*taken, first], [place for place in rest if place not in against[first]]))
    return best
