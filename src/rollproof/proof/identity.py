"""Which copies are one physical thing: who founded a copy, and which absent copies may count beside others.

A copy has an identity of its own, the SHA-256 of the offload record that founded it. It stays with the roll folder
wherever that is moved or cloned to. A drive is told from another by its volume, by its own name, and by having been
seen beside it at one moment.

| an absent copy                                                                  | counts        |
|---------------------------------------------------------------------------------|---------------|
| its identity was seen since at another place, or is attached elsewhere          | no            |
| its volume's identity was seen since through another device                     | no            |
| its device (key, or model, serial number and size) was seen since otherwise     | no            |
| shares any of these with a copy that counts already                             | no            |
| it and a copy that counts have own names that differ                            | beside it     |
| one of the two has no own name: no serial number, a placeholder, a double one   | if both were  |
|                                                                                 | attached at   |
|                                                                                 | one moment    |
|                                                                                 | since either  |
|                                                                                 | was proven    |

Attached copies are counted by what is read from them: two that are attached at once and were each verified where they
lie are two.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from rollproof.proof.devices import IMAGE, parts

# vendor placeholders: all the same character, counted up, or mostly zeros
_PLACEHOLDER = re.compile(r"(.)\1*|0?123456789[0abcdefABCDEF]*|.*0{10}.*|[Nn]/?[Aa]|[Nn]one", re.DOTALL)
_NOT_BY_ITSELF = ("disk:", IMAGE)
"""Keys that a device did not give itself: from a bridge's words and what is written on the disk, or from a path."""

Doubt = Literal["copy", "volume", "device", "not told apart"]


def is_placeholder(serial: str) -> bool:
    """Whether a serial number is one that many devices show: too short, all alike, counted up, mostly zeros."""
    return len(serial) < 4 or _PLACEHOLDER.fullmatch(serial) is not None


# --- the identity of a copy


@dataclass(frozen=True, slots=True)
class Founding:
    """What one offload record says of its copy. `place` is device key, volume serial and folder as it names them;
    `from_a_copy` is whether a recorded copy was copied on, with the records it had."""

    sha256: str
    founded_by: str | None
    from_a_copy: bool
    place: tuple[str | None, str | None, str]


def founder(offloads: Iterable[Founding]) -> str | None:
    """The identity of a copy, from its offload records in their order; None where there is none.

    A record that names its founder is believed. One that names none founded the copy, unless it is an addition by a
    version that did not name it: the first one founds, and one from a recorded copy founds anew where it speaks of a
    place that no record since the last founding speaks of (those before it were carried along).
    """
    found: str | None = None
    places: set[tuple[str | None, str | None, str]] = set()
    for each in offloads:
        if each.founded_by is not None:
            found = each.founded_by
        elif found is None or (each.from_a_copy and each.place not in places):
            found, places = each.sha256, set()
        places.add(each.place)
    return found


# --- which copies count beside which


@dataclass(frozen=True, slots=True)
class Drive:
    """A volume on a device. Two with one `number` are the same to this station. `volume` is the volume's identity."""

    number: int
    key: str | None
    volume: str | None
    model: str = ""
    serial: str = ""
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Sighting:
    """A drive that this station saw: `at` that moment, None for now. `founders` are the copies that were seen on it."""

    drive: Drive
    at: datetime | None
    founders: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class CopyOnDrive:
    """A copy that would count. `seen_at` is when this station last saw it, `proven_at` when it last proved it there."""

    drive: Drive
    founder: str | None
    attached: bool
    seen_at: datetime | None = None
    proven_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """What this station saw. `together` is when two drives, by their numbers, were last attached at one moment."""

    sightings: Sequence[Sighting]
    together: Mapping[frozenset[int], datetime]


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why an absent copy does not count: what it shares with `other`, or that it cannot be told from it."""

    doubt: Doubt
    other: Drive


def refused_absent(copies: Sequence[CopyOnDrive], seen: Seen) -> dict[int, Refusal]:
    """The absent ones among `copies`, by their place, that may not count, and why. Attached ones are never refused.

    Of two that cannot both count the one stands that was proven last.
    """
    doubled = _doubled(seen)
    refused: dict[int, Refusal] = {}
    standing = [copy for copy in copies if copy.attached]
    absent = [place for place, copy in enumerate(copies) if not copy.attached]
    for place in sorted(absent, key=lambda place: _moment(copies[place].proven_at), reverse=True):
        copy = copies[place]
        refusal = _seen_since(copy, seen, doubled) or _beside(copy, standing, seen, doubled)
        if refusal is None:
            standing.append(copy)
        else:
            refused[place] = refusal
    return refused


def superseded(copies: Sequence[CopyOnDrive], seen: Seen) -> dict[int, Refusal]:
    """The copies, by their place, that were seen since as something else: what a list of all that is remembered must
    not count twice. Of two that share something and were seen at one moment the later one in the list stands, but for
    those whose device keys say so: `count_devices` counts them once. Attached ones are never among them."""
    doubled = _doubled(seen)
    found: dict[int, Refusal] = {}
    for place, copy in enumerate(copies):
        if copy.attached:
            continue
        refusal = _seen_since(copy, seen, doubled)
        for later in copies[place + 1 :]:
            if refusal is None and _moment(later.seen_at) == _moment(copy.seen_at) and later.drive != copy.drive:
                doubt = _shared(copy, later.drive, frozenset({later.founder or ""}), doubled)
                if doubt == "device" and parts(copy.drive.key) & parts(later.drive.key):
                    continue  # counting the devices tells these apart, and which of a set's disks stand for themselves
                refusal = Refusal(doubt, later.drive) if doubt is not None else None
        if refusal is not None:
            found[place] = refusal
    return found


def voided(remembered: Iterable[Drive], attached: Sequence[Drive]) -> list[Drive]:
    """Those remembered drives whose device is attached with other file systems only: what they held is void."""
    seen = Seen([Sighting(drive, None) for drive in attached], {})
    doubled = _doubled(seen)
    there = {drive.number for drive in attached}
    return [
        drive
        for drive in remembered
        if drive.number not in there
        and any(_one_device(drive, other, doubled) for other in attached)
        and not any(_one_device(drive, other, doubled) and drive.volume == other.volume for other in attached)
    ]


_Name = tuple[str, str, str, int]


def own_name(drive: Drive, doubled: frozenset[_Name] = frozenset()) -> _Name | None:
    """What tells a device from all others wherever it is plugged in; None where nothing does."""
    if not is_placeholder(drive.serial):
        name = ("serial", drive.model, drive.serial, drive.size_bytes or 0)
        return name if name not in doubled else None
    if drive.key is not None and not drive.key.startswith(_NOT_BY_ITSELF):
        return ("key", "", drive.key, 0)
    return None


def _doubled(seen: Seen) -> frozenset[_Name]:
    """Names that two devices showed at one moment."""
    drives = {sighting.drive.number: sighting.drive for sighting in seen.sightings}
    now = frozenset(sighting.drive.number for sighting in seen.sightings if sighting.at is None)
    pairs = [tuple(pair) for pair in seen.together if len(pair) == 2 and pair <= drives.keys()]
    pairs += [(one, other) for one in now for other in now if one < other]
    found: set[_Name] = set()
    for one, other in pairs:
        name = own_name(drives[one])
        if (
            name is not None
            and name == own_name(drives[other])
            and parts(drives[one].key).isdisjoint(parts(drives[other].key))
        ):
            found.add(name)
    return frozenset(found)


def _seen_since(copy: CopyOnDrive, seen: Seen, doubled: frozenset[_Name]) -> Refusal | None:
    for sighting in seen.sightings:
        since = sighting.at is None or copy.seen_at is None or sighting.at > copy.seen_at
        if since and sighting.drive.number != copy.drive.number:
            doubt = _shared(copy, sighting.drive, sighting.founders, doubled)
            if doubt is not None:
                return Refusal(doubt, sighting.drive)
    return None


def _beside(
    copy: CopyOnDrive, standing: Sequence[CopyOnDrive], seen: Seen, doubled: frozenset[_Name]
) -> Refusal | None:
    for other in standing:
        if other.drive.number == copy.drive.number:
            continue  # one drive: it counts once anyway
        founders = frozenset({other.founder} if other.founder is not None else ())
        doubt = _shared(copy, other.drive, founders, doubled)
        if doubt is None and not _told_apart(copy, other, seen, doubled):
            doubt = "not told apart"
        if doubt is not None:
            return Refusal(doubt, other.drive)
    return None


def _shared(copy: CopyOnDrive, other: Drive, founders: frozenset[str], doubled: frozenset[_Name]) -> Doubt | None:
    if copy.founder is not None and copy.founder in founders:
        return "copy"
    if copy.drive.volume is not None and copy.drive.volume == other.volume:
        return "volume"
    return "device" if _one_device(copy.drive, other, doubled) else None


def _one_device(one: Drive, other: Drive, doubled: frozenset[_Name]) -> bool:
    name = own_name(one, doubled)
    return not parts(one.key).isdisjoint(parts(other.key)) or (name is not None and name == own_name(other, doubled))


def _told_apart(one: CopyOnDrive, other: CopyOnDrive, seen: Seen, doubled: frozenset[_Name]) -> bool:
    names = own_name(one.drive, doubled), own_name(other.drive, doubled)
    if None not in names and names[0] != names[1] and names[0][:1] == names[1][:1]:  # type: ignore[index]
        return True
    together = seen.together.get(frozenset({one.drive.number, other.drive.number}))
    if together is None:
        return False
    return all(copy.proven_at is not None and copy.proven_at <= together for copy in (one, other))


def _moment(moment: datetime | None) -> float:
    return moment.timestamp() if moment is not None else float("-inf")
