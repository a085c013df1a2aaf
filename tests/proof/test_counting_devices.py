"""How many devices a set of copies lies on: a table, and what holds whatever the table says."""

from __future__ import annotations

from itertools import combinations, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rollproof.models.volumes import Device
from rollproof.proof.devices import JOIN, are_one, chosen_devices, count_devices


def disk(*keys: str) -> Device:
    return Device(JOIN.join(keys), "disk")


def image(key: str, on: Device | None, *, told: bool = True) -> Device:
    """`told` is whether the disk beneath is told apart from the key, as it is while the image is attached."""
    host = on.key if on is not None and on.key else "unknown"
    return Device(f"image:{host.replace(JOIN, ' ')}:/{key}", "loop", beneath=on.key if on and told else None)


A, B, C, AB, BC, CA = disk("a"), disk("b"), disk("c"), disk("a", "b"), disk("b", "c"), disk("c", "a")
HOST = disk("host")
ONE, TWO = image("one.img", HOST), image("two.img", HOST)
UNKNOWN, SHARE, MEMORY = Device(None), Device(None, "network"), Device(None, "memory")

CASES = {
    "no copy": ([], 0),
    "one": ([A], 1),
    "two devices": ([A, B], 2),
    "one device twice": ([A, A], 1),
    "a disk and a set with it": ([A, AB], 1),
    "a set and both its disks": ([AB, A, B], 2),
    "a set and another disk": ([AB, C], 2),
    "two sets with a disk in common": ([AB, BC], 1),
    "three sets in a ring": ([AB, BC, CA], 1),
    "a chain of sets": ([A, AB, BC, C], 2),
    "devices that could not be told": ([UNKNOWN, UNKNOWN, SHARE], 1),
    "a known one and unknown ones": ([A, UNKNOWN, SHARE], 2),
    "memory": ([MEMORY], 0),
    "memory beside a disk": ([MEMORY, A, MEMORY], 1),
    "an image and the disk it lies on": ([ONE, HOST], 1),
    "two images on the computer's own disk": ([ONE, TWO], 2),
    "two images and their disk": ([HOST, ONE, TWO], 2),
    "one image twice": ([ONE, ONE], 1),
    "an image and the disk it lies on, from the key alone": ([image("x", HOST, told=False), HOST], 1),
    "an image on a set and one disk of it, from the key alone": ([image("x", AB, told=False), B], 1),
    "an image on a set and another disk, from the key alone": ([image("x", AB, told=False), C], 2),
    "an image beside a disk whose key begins alike": ([image("x", disk("host2"), told=False), HOST], 2),
    "an image on an unknown disk and an unknown device": ([image("x", None), UNKNOWN], 1),
    "two images on an unknown disk": ([image("x", None), image("y", None)], 2),
}


@pytest.mark.parametrize("case", CASES)
def test_each_physical_device_counts_once(case: str) -> None:
    devices, count = CASES[case]
    assert count_devices(devices) == count


@pytest.mark.parametrize("case", CASES)
def test_the_number_does_not_depend_on_the_order(case: str) -> None:
    devices, count = CASES[case]
    assert {count_devices(order) for order in permutations(devices)} == {count}


@pytest.mark.parametrize(
    ("devices", "card", "count"),
    [
        ([A, B], A, 1),
        ([A], A, 0),
        ([AB, B, C], A, 2),
        ([UNKNOWN, A], B, 2),
        ([UNKNOWN, A, B], UNKNOWN, 0),
        ([HOST, TWO], ONE, 1),  # the card is an image: its disk is no other device, another image on it is
        ([ONE, A], HOST, 1),
    ],
)
def test_what_lies_on_the_cards_own_device_never_counts(devices: list[Device], card: Device, count: int) -> None:
    assert count_devices(devices, card=card) == count


def test_of_the_copies_on_one_device_the_first_stands_for_it() -> None:
    assert chosen_devices([B, A, AB, B]) == [0, 1]
    assert chosen_devices([AB, A, C]) == [0, 2]
    assert chosen_devices([UNKNOWN, SHARE]) == [0]
    assert chosen_devices([AB, A, B]) == [1, 2]  # the largest number goes before the order


def test_whether_two_are_one_can_be_unknown() -> None:
    assert are_one(A, AB) is True
    assert are_one(A, B) is False
    assert are_one(A, UNKNOWN) is None
    assert are_one(ONE, HOST) is are_one(HOST, ONE) is True


@given(st.lists(st.sets(st.sampled_from("abcdef"), min_size=1, max_size=3), max_size=8))
def test_the_number_is_the_largest_choice_of_copies_without_a_common_disk(sets: list[set[str]]) -> None:
    devices = [disk(*sorted(each)) for each in sets]
    largest = max(
        number
        for number in range(len(sets) + 1)
        for choice in combinations(sets, number)
        if all(one.isdisjoint(other) for one, other in combinations(choice, 2))
    )
    chosen = chosen_devices(devices)
    assert len(chosen) == largest
    assert all(sets[one].isdisjoint(sets[other]) for one, other in combinations(chosen, 2))


@given(st.lists(st.sampled_from([A, B, AB, BC, ONE, TWO, HOST, UNKNOWN, SHARE, MEMORY]), max_size=8), st.integers(0, 7))
def test_another_copy_never_makes_the_number_smaller(devices: list[Device], without: int) -> None:
    fewer = devices[:without] + devices[without + 1 :]
    assert count_devices(fewer) <= count_devices(devices)


def test_very_many_copies_are_counted_soon() -> None:
    many = [disk(f"d{number}", f"d{number + 1}") for number in range(120)]
    assert 40 <= count_devices(many) <= 60
