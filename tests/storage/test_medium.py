"""Evidence is earned: for every way, what one read is worth, and what takes it away."""

from __future__ import annotations

import errno
from dataclasses import dataclass, field
from typing import Any, cast

import pytest

from rollproof.models.volumes import Evidence, MediumWay
from rollproof.proof.evidence import evidence_of, rank_of, weakest
from rollproof.storage.io import Io
from rollproof.storage.medium import MediumAccess

MEDIUM, SERVER, CACHE = Evidence.MEDIUM, Evidence.SERVER, Evidence.CACHE
DEVICE = 99


@dataclass
class Cache:
    """The part of an `Io` that evidence is earned with. `fails` names calls that end in an error."""

    name: str = "linux"
    resident: int = 0
    device_resident: int = 0
    bypasses: bool = False
    inside: bool = False
    fails: frozenset[str] = frozenset()
    log: list[tuple[str, int]] = field(default_factory=list)

    def _call(self, name: str, handle: int) -> None:
        self.log.append((name, handle))
        if name in self.fails:
            raise OSError(errno.EIO, name)

    def drop_pages(self, handle: int) -> None:
        self._call("drop_pages", handle)

    def resident_pages(self, handle: int, size: int) -> int:
        self._call("resident_pages", handle)
        assert size == (1 << 30 if handle == DEVICE else 5000) or self.inside
        return self.device_resident if handle == DEVICE else self.resident

    def bypasses_direct(self, handle: int) -> bool:
        self._call("bypasses_direct", handle)
        return self.bypasses

    def kept_inside(self, handle: int) -> bool:
        self._call("kept_inside", handle)
        return self.inside

    def open_device(self, node: str) -> int:
        self._call("open_device", 0)
        assert node == "/dev/card1"
        return DEVICE

    def device_size(self, handle: int) -> int:
        self._call("device_size", handle)
        return 1 << 30

    def flush(self, handle: int) -> None:
        self._call("flush", handle)

    def close(self, handle: int) -> None:
        self._call("close", handle)


def evidence(way: MediumWay, cache: Cache, *, direct: bool = True, node: str = "/dev/card1") -> Evidence:
    access = MediumAccess(cast(Io, cache), way, node)
    access.begin_pass()
    return access.evidence(7, 5000, direct=direct)


@pytest.mark.parametrize(
    ("way", "best"),
    [
        (MediumWay.DIRECT, MEDIUM),
        (MediumWay.DIRECT_AFTER_EVICTION, MEDIUM),
        (MediumWay.DEVICE_PAGES_DROPPED, MEDIUM),
        (MediumWay.MACOS_INVALIDATED, MEDIUM),
        (MediumWay.WINDOWS_UNBUFFERED, MEDIUM),
        (MediumWay.SERVER, SERVER),
        (MediumWay.NONE, CACHE),
    ],
)
def test_the_best_that_each_way_can_earn(way: MediumWay, best: Evidence) -> None:
    assert evidence(way, Cache()) is best


@pytest.mark.parametrize("way", [way for way in MediumWay if way is not MediumWay.SERVER])
def test_a_read_through_the_cache_is_never_from_the_medium(way: MediumWay) -> None:
    assert evidence(way, Cache(), direct=False) is CACHE


EVICTING = [MediumWay.DIRECT_AFTER_EVICTION, MediumWay.MACOS_INVALIDATED]


@pytest.mark.parametrize("way", EVICTING)
@pytest.mark.parametrize(
    "cache",
    [Cache(resident=1), Cache(fails=frozenset({"drop_pages"})), Cache(fails=frozenset({"resident_pages"}))],
    ids=["one page stays", "cannot drop", "cannot look"],
)
def test_pages_that_are_not_shown_to_be_gone_take_the_evidence_away(way: MediumWay, cache: Cache) -> None:
    cache.log.clear()
    assert evidence(way, cache) is CACHE


@pytest.mark.parametrize("way", EVICTING)
def test_pages_are_dropped_before_it_is_looked_whether_they_are_gone(way: MediumWay) -> None:
    cache = Cache()
    evidence(way, cache)
    assert [name for name, _ in cache.log][-2:] == ["drop_pages", "resident_pages"]


@pytest.mark.parametrize("way", [MediumWay.DIRECT, MediumWay.WINDOWS_UNBUFFERED, *EVICTING])
def test_a_file_that_the_file_system_keeps_elsewhere_is_no_evidence(way: MediumWay) -> None:
    assert evidence(way, Cache(bypasses=True)) is CACHE


@pytest.mark.parametrize(
    ("cache", "direct", "expected"),
    [
        (Cache(), True, SERVER),
        (Cache(resident=1), True, SERVER),
        (Cache(), False, SERVER),
        (Cache(resident=1), False, CACHE),
        (Cache(fails=frozenset({"drop_pages"})), False, CACHE),
        # on macOS a direct read still takes the pages that are cached already
        (Cache("macos"), True, SERVER),
        (Cache("macos", resident=1), True, CACHE),
        (Cache("macos", fails=frozenset({"drop_pages"})), True, CACHE),
    ],
)
def test_a_server_was_asked_when_the_cache_could_not_have_answered(
    cache: Cache, direct: bool, expected: Evidence
) -> None:
    assert evidence(MediumWay.SERVER, cache, direct=direct) is expected


# --- a file system run by a program, on a block device
def test_the_pages_of_the_device_are_flushed_dropped_and_looked_for_before_a_pass() -> None:
    cache = Cache()
    assert evidence(MediumWay.DEVICE_PAGES_DROPPED, cache) is MEDIUM
    assert cache.log == [
        ("open_device", 0),
        ("flush", DEVICE),
        ("drop_pages", DEVICE),
        ("device_size", DEVICE),
        ("resident_pages", DEVICE),
        ("close", DEVICE),
    ]


@pytest.mark.parametrize("failing", ["open_device", "drop_pages", "device_size", "resident_pages"])
def test_a_device_that_cannot_be_looked_at_is_no_evidence_and_is_closed(failing: str) -> None:
    cache = Cache(fails=frozenset({failing}))
    assert evidence(MediumWay.DEVICE_PAGES_DROPPED, cache) is CACHE
    assert (("close", DEVICE) in cache.log) is (failing != "open_device")


@pytest.mark.parametrize("failing", ["flush", "close"])
def test_a_device_opened_for_reading_only_may_refuse_a_flush_or_a_close(failing: str) -> None:
    assert evidence(MediumWay.DEVICE_PAGES_DROPPED, Cache(fails=frozenset({failing}))) is MEDIUM


def test_one_page_of_the_device_that_stays_is_enough_to_doubt() -> None:
    assert evidence(MediumWay.DEVICE_PAGES_DROPPED, Cache(device_resident=1)) is CACHE


@pytest.mark.parametrize(("readers", "worth"), [(3, MEDIUM), (50, CACHE)])
def test_whoever_reads_the_device_for_a_moment_costs_no_evidence_and_whoever_goes_on_does(
    readers: int, worth: Evidence
) -> None:
    class Read(Cache):
        """Somebody lists the drives: the device has pages again at the first looks."""

        def resident_pages(self, handle: int, size: int) -> int:
            self._call("resident_pages", handle)
            return int(sum(name == "resident_pages" for name, _ in self.log) <= readers)

    cache = Read()
    access = MediumAccess(cast(Io, cache), MediumWay.DEVICE_PAGES_DROPPED, "/dev/card1")
    access.begin_pass()
    assert access.evidence(5, 5000, direct=True) is worth
    drops = [name for name, _ in cache.log if name in ("drop_pages", "resident_pages")]
    assert drops[::2] == ["drop_pages"] * (len(drops) // 2), "each look comes after a drop of its own"


def test_without_a_device_or_without_a_look_before_the_pass_there_is_no_evidence() -> None:
    assert evidence(MediumWay.DEVICE_PAGES_DROPPED, Cache(), node="") is CACHE
    access = MediumAccess(cast(Io, Cache()), MediumWay.DEVICE_PAGES_DROPPED, "/dev/card1")
    assert access.evidence(7, 5000, direct=True) is CACHE


def test_every_pass_has_to_look_anew() -> None:
    cache = Cache()
    access = MediumAccess(cast(Io, cache), MediumWay.DEVICE_PAGES_DROPPED, "/dev/card1")
    access.begin_pass()
    cache.device_resident = 3
    access.begin_pass()
    assert access.evidence(7, 5000, direct=True) is CACHE


@pytest.mark.parametrize("way", [way for way in MediumWay if way is not MediumWay.DEVICE_PAGES_DROPPED])
def test_other_ways_leave_the_device_alone(way: MediumWay) -> None:
    cache = Cache()
    MediumAccess(cast(Io, cache), way, "/dev/card1").begin_pass()
    assert cache.log == []


# --- ranks
def test_the_weakest_evidence_decides() -> None:
    found: Any = [MEDIUM, CACHE, SERVER]
    assert weakest(found) is CACHE
    assert weakest([MEDIUM, SERVER]) is SERVER
    assert weakest([MEDIUM]) is MEDIUM
    assert weakest([]) is None


def test_ranks_go_from_the_strongest_to_the_weakest_and_back() -> None:
    assert [rank_of(one) for one in (MEDIUM, SERVER, CACHE)] == [0, 1, 2]
    assert all(evidence_of(rank_of(one)) is one for one in Evidence)
