"""Which copies are one physical thing, case by case."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from rollproof.proof.identity import (
    CopyOnDrive,
    Drive,
    Founding,
    Seen,
    Sighting,
    founder,
    refused_absent,
    superseded,
    voided,
)

T0 = datetime(2026, 5, 14, 8, 0, tzinfo=UTC)


def at(hours: float) -> datetime:
    """So many hours into the day."""
    return T0 + timedelta(hours=hours)


# --- founders

PRIMARY, ARCHIVE = ("disk:p", "uuid-p", "A003"), ("disk:a", "uuid-a", "A003")
FIRST = Founding("1", None, False, PRIMARY)

FOUNDERS: list[tuple[str, list[Founding], str | None]] = [
    ("no offload", [], None),
    ("one offload founds", [FIRST], "1"),
    ("an addition repeats it", [FIRST, Founding("2", "1", False, PRIMARY)], "1"),
    ("an addition of a version that did not", [FIRST, Founding("2", None, False, PRIMARY)], "1"),
    ("an addition after the folder was moved", [FIRST, Founding("2", None, False, ARCHIVE)], "1"),
    ("a copy from a recorded copy founds", [FIRST, Founding("2", None, True, ARCHIVE)], "2"),
    (
        "… also behind the additions it carried",
        [FIRST, Founding("2", "1", False, PRIMARY), Founding("3", None, True, ARCHIVE)],
        "3",
    ),
    (
        "an addition to such a copy repeats",
        [FIRST, Founding("2", None, True, ARCHIVE), Founding("3", "2", True, ARCHIVE)],
        "2",
    ),
    ("… without naming it", [FIRST, Founding("2", None, True, ARCHIVE), Founding("3", None, True, ARCHIVE)], "2"),
    (
        "… from the card, without naming it",
        [FIRST, Founding("2", None, True, ARCHIVE), Founding("3", None, False, ARCHIVE)],
        "2",
    ),
    (
        "back to where it began founds anew",
        [FIRST, Founding("2", None, True, ARCHIVE), Founding("3", None, True, PRIMARY)],
        "3",
    ),
]


@pytest.mark.parametrize(("records", "identity"), [row[1:] for row in FOUNDERS], ids=[row[0] for row in FOUNDERS])
def test_a_copy_is_founded_by(records: list[Founding], identity: str | None) -> None:
    assert founder(records) == identity


# --- absent copies beside others

ONE = Drive(1, "ata:one", "uuid-1", "Bell Disk", "SN-1001-ONE", 1000)
TWO = Drive(2, "ata:two", "uuid-2", "Bell Disk", "SN-2002-TWO", 1000)
PLAIN_ONE = Drive(3, "disk:Bridge::1000:uuid-3", "uuid-3", "Bridge", "", 1000)
PLAIN_TWO = Drive(4, "disk:Bridge::1000:uuid-4", "uuid-4", "Bridge", "0000000000", 1000)

HERE = CopyOnDrive(ONE, "a", True, at(9), at(8))
AWAY = CopyOnDrive(TWO, "b", False, at(8), at(8))
PLAIN_HERE = CopyOnDrive(PLAIN_ONE, "a", True, at(9), at(8))
PLAIN_AWAY = CopyOnDrive(PLAIN_TWO, "b", False, at(8), at(8))
NOTHING = Seen([], {})


def now(*drives: Drive, founders: tuple[str, ...] = (), together: dict[frozenset[int], datetime] | None = None) -> Seen:
    """These are attached."""
    return Seen([Sighting(drive, None, frozenset(founders)) for drive in drives], together or {})


def both_at(hours: float) -> dict[frozenset[int], datetime]:
    """The two plain drives were attached at one moment then."""
    return {frozenset({3, 4}): at(hours)}


def moved(drive: Drive, number: int, key: str, **changes: object) -> Drive:
    """The drive as another dock shows it."""
    return replace(drive, number=number, key=key, **changes)  # type: ignore[arg-type]


CASES: list[tuple[str, CopyOnDrive, CopyOnDrive, Seen, str | None]] = [
    ("two drives with names of their own", HERE, AWAY, now(ONE), None),
    (
        "an absent copy alone with what was seen long before",
        HERE,
        AWAY,
        Seen([Sighting(replace(TWO, number=9, key="k"), at(7))], {}),
        None,
    ),
    ("the copy is attached elsewhere", HERE, replace(AWAY, founder="a"), now(ONE, founders=("a",)), "copy"),
    ("the copy was seen since elsewhere", HERE, AWAY, Seen([Sighting(ONE, at(8.5), frozenset("b"))], {}), "copy"),
    ("… and not since", HERE, AWAY, Seen([Sighting(ONE, at(7.5), frozenset("b"))], {}), None),
    (
        "its volume through another dock",
        replace(HERE, drive=moved(TWO, 5, "usb:dock", serial="SN-OF-DOCK")),
        AWAY,
        now(moved(TWO, 5, "usb:dock", serial="SN-OF-DOCK")),
        "volume",
    ),
    (
        "its volume was seen since elsewhere",
        HERE,
        AWAY,
        Seen([Sighting(moved(TWO, 5, "usb:dock", serial=""), at(8.5))], {}),
        "volume",
    ),
    ("its device with another file system", HERE, AWAY, now(ONE, replace(TWO, number=6, volume="uuid-6")), "device"),
    (
        "… through another dock that tells the serial",
        HERE,
        AWAY,
        now(ONE, moved(TWO, 6, "usb:dock", volume="uuid-6")),
        "device",
    ),
    ("… seen since", HERE, AWAY, Seen([Sighting(replace(TWO, number=6, volume="uuid-6"), at(8.5))], {}), "device"),
    ("no serials, never together", PLAIN_HERE, PLAIN_AWAY, now(PLAIN_ONE), "not told apart"),
    ("no serials, together when proven", PLAIN_HERE, PLAIN_AWAY, now(PLAIN_ONE, together=both_at(8)), None),
    ("no serials, together later", PLAIN_HERE, PLAIN_AWAY, now(PLAIN_ONE, together=both_at(8.5)), None),
    (
        "no serials, one proven since",
        replace(PLAIN_HERE, proven_at=at(9)),
        PLAIN_AWAY,
        now(PLAIN_ONE, together=both_at(8)),
        "not told apart",
    ),
    (
        "no serials, the absent one proven since",
        PLAIN_HERE,
        replace(PLAIN_AWAY, proven_at=at(9)),
        now(PLAIN_ONE, together=both_at(8)),
        "not told apart",
    ),
    (
        "no serials, nobody knows when proven",
        PLAIN_HERE,
        replace(PLAIN_AWAY, proven_at=None),
        now(PLAIN_ONE, together=both_at(8)),
        "not told apart",
    ),
    ("only one of them has a name", HERE, PLAIN_AWAY, now(ONE), "not told apart"),
    (
        "a key of its own beside a serial",
        replace(HERE, drive=replace(ONE, serial="")),
        AWAY,
        now(replace(ONE, serial="")),
        "not told apart",
    ),
    (
        "two keys of their own",
        replace(HERE, drive=replace(ONE, serial="")),
        replace(AWAY, drive=replace(TWO, serial="")),
        now(replace(ONE, serial="")),
        None,
    ),
    (
        "a set of disks and one of them",
        replace(HERE, drive=replace(ONE, key="ata:one + ata:two", volume="u")),
        AWAY,
        now(replace(ONE, key="ata:one + ata:two")),
        "device",
    ),
    (
        "unknown devices",
        replace(HERE, drive=replace(ONE, key=None, serial="")),
        replace(AWAY, drive=replace(TWO, key=None, serial="")),
        NOTHING,
        "not told apart",
    ),
    (
        "volumes without identity share none",
        replace(HERE, drive=replace(ONE, volume=None)),
        replace(AWAY, drive=replace(TWO, volume=None)),
        NOTHING,
        None,
    ),
    ("copies without identity share none", replace(HERE, founder=None), replace(AWAY, founder=None), NOTHING, None),
]


@pytest.mark.parametrize(("here", "away", "seen", "doubt"), [row[1:] for row in CASES], ids=[row[0] for row in CASES])
def test_an_absent_copy_beside_an_attached_one(
    here: CopyOnDrive, away: CopyOnDrive, seen: Seen, doubt: str | None
) -> None:
    refused = refused_absent([here, away], seen)
    assert {place: each.doubt for place, each in refused.items()} == ({} if doubt is None else {1: doubt})
    assert refused_absent([away, here], seen).keys() == ({0} if doubt else set()), "in any order"


def test_two_attached_copies_are_counted_by_what_is_read_from_them() -> None:
    clone = replace(AWAY, drive=replace(TWO, volume="uuid-1", serial=""), founder="a", attached=True)
    assert refused_absent([HERE, clone], now(ONE, clone.drive, founders=("a",))) == {}


def test_of_two_absent_ones_the_one_that_was_proven_last_stands() -> None:
    older, newer = replace(AWAY, drive=PLAIN_ONE, proven_at=at(7)), replace(AWAY, drive=PLAIN_TWO, founder="c")
    assert refused_absent([newer, older], NOTHING).keys() == {1}
    assert refused_absent([older, newer], NOTHING).keys() == {0}


def test_a_serial_that_two_devices_showed_at_one_moment_names_neither() -> None:
    one, two = replace(ONE, serial="SAME-4711"), replace(TWO, serial="SAME-4711")
    here, away = replace(HERE, drive=one), replace(AWAY, drive=two)
    apart = Seen([Sighting(one, None), Sighting(two, at(8))], {frozenset({1, 2}): at(8)})
    assert refused_absent([here, away], apart) == {}
    assert refused_absent([here, replace(away, proven_at=at(8.5))], apart)[1].doubt == "not told apart"
    assert refused_absent([here, away], now(one))[1].doubt == "device", "seen only one after the other: it may be one"


def test_one_drive_under_two_rolls_is_no_other_drive() -> None:
    other_roll = replace(AWAY, founder="c")
    assert refused_absent([AWAY, other_roll], NOTHING) == {}


# --- lists of all that is remembered


def test_what_was_seen_since_as_something_else_is_superseded() -> None:
    old = CopyOnDrive(TWO, "b", False, at(8))
    docked = CopyOnDrive(moved(TWO, 5, "usb:dock", serial=""), "b", False, at(9))
    seen = Seen([Sighting(TWO, at(8), frozenset("b")), Sighting(docked.drive, at(9), frozenset("b"))], {})
    assert superseded([old, docked], seen).keys() == {0}
    assert superseded([docked, old], seen).keys() == {1}
    at_once = replace(docked, seen_at=at(8))
    same = Seen([Sighting(TWO, at(8), frozenset("b")), Sighting(docked.drive, at(8), frozenset("b"))], {})
    assert superseded([old, at_once], same).keys() == {0}, "one of the two"
    plain = [replace(PLAIN_AWAY, drive=PLAIN_ONE, founder="c"), PLAIN_AWAY]
    assert superseded(plain, NOTHING) == {}, "what cannot be told apart is another question"
    here = [replace(each, attached=True, seen_at=None) for each in (old, at_once)]
    assert superseded(here, same) == {}, "both are here and were read"


# --- what a device held


@pytest.mark.parametrize(
    ("attached", "void"),
    [
        ([], False),
        ([TWO], False),
        ([ONE], False),
        ([replace(TWO, number=-1, volume="uuid-9")], True),
        ([moved(TWO, -1, "usb:dock", volume="uuid-9")], True),
        ([moved(TWO, -1, "usb:dock")], False),
        ([moved(TWO, -1, "usb:dock", volume="uuid-9"), moved(TWO, -2, "usb:dock")], False),
        ([replace(TWO, number=-1, volume="uuid-9", key="usb:dock", serial="")], False),
        ([replace(TWO, number=-1, volume="uuid-9"), replace(ONE, number=-2, serial=TWO.serial)], True),
        ([moved(TWO, -1, "a", volume="u"), moved(TWO, -2, "b", volume="v")], False),
    ],
    ids=["gone", "itself", "another", "reformatted", "reformatted, other dock", "other dock", "two partitions",
         "unknown", "reformatted beside a namesake", "a serial of two"],
)  # fmt: skip
def test_what_a_device_held_is_void_when_it_is_there_with_something_else(attached: list[Drive], void: bool) -> None:
    assert voided([TWO], attached) == ([TWO] if void else [])
