"""Who helps whom, without drives: what is told, who waits for whom."""

from __future__ import annotations

import threading

import pytest

from rollproof.copying.helping import Donor, Helping
from rollproof.models.events import DriveDone, Event
from rollproof.models.volumes import Limits, MediumWay
from rollproof.reading.buffers import BufferPool
from rollproof.reading.parcels import ParcelStream, ReadAhead, Segment
from rollproof.storage.medium import MediumAccess
from rollproof.storage.system import system_io


def donor(drive: str) -> Donor:
    return Donor(drive, -1, MediumAccess(system_io(), MediumWay.DIRECT), Limits(), lambda number: b"")


class Told(list[tuple[str, bool]]):
    def __call__(self, event: Event) -> None:
        assert isinstance(event, DriveDone)
        self.append((event.drive, event.needed is not None))


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def helping(told: Told) -> Helping:
    return Helping("A003", ["one", "two", "three"], told)


def test_a_drive_is_released_when_the_last_one_that_lacks_files_has_them_or_is_lost(
    helping: Helping, told: Told
) -> None:
    helping.fell_behind("two")
    helping.fell_behind("three")
    helping.sealed("one", "proven")
    helping.has_all("two")
    assert told == [("one", True)]
    helping.lost("three")
    assert told == [("one", True), ("one", False)]
    helping.sealed("two", "proven")
    assert told[-1] == ("two", False)


def test_a_drive_that_is_sealed_just_as_the_slow_one_has_everything_is_told_in_the_end_that_it_may_go(
    helping: Helping, told: Told
) -> None:
    for _ in range(300):
        told.clear()
        helping.fell_behind("two")
        together = threading.Barrier(2)

        def seal(together: threading.Barrier = together) -> None:
            together.wait()
            helping.sealed("one", "proven")

        sealing = threading.Thread(target=seal)
        sealing.start()
        together.wait()
        helping.has_all("two")
        sealing.join()
        assert told[-1] == ("one", False)


def test_a_lost_drive_neither_gives_nor_needs(helping: Helping) -> None:
    helping.may_give(donor("one"))
    helping.lost("one")
    helping.lost("three")
    helping.fell_behind("two")
    assert helping.next_donor("two", (), 0.0) == (None, False)


def test_whoever_still_takes_from_another_may_give_later(helping: Helping) -> None:
    helping.fell_behind("two")
    helping.fell_behind("three")
    helping.may_give(donor("one"))
    found, _ = helping.next_donor("three", (), 0.0)
    assert found is not None
    assert found.drive == "one"
    # "two" has lost "one" for itself: "three" still reads from it and may have everything soon
    assert helping.next_donor("two", {"one"}, 0.0) == (None, True)
    helping.has_all("three")
    helping.may_give(donor("three"))
    found, _ = helping.next_donor("two", {"one"}, 0.0)
    assert found is not None
    assert found.drive == "three"


def test_two_that_lack_files_have_no_hope_in_each_other(helping: Helping) -> None:
    helping.fell_behind("two")
    helping.fell_behind("three")
    helping.lost("one")
    assert helping.next_donor("two", (), 0.0) == (None, False)
    assert helping.next_donor("three", (), 0.0) == (None, False)


def test_a_drive_that_has_come_to_the_end_of_the_stream_cannot_be_let_go_any_more() -> None:
    def fill(buffer: object) -> list[Segment]:
        return [Segment(0, 0, 4, 0, True)]

    stream = ParcelStream(BufferPool(4096), iter([fill]), ["one"], ReadAhead("test", 1, 2, lambda: False))
    stream.start()
    for parcel in stream.parcels("one"):
        stream.done("one", parcel)
    assert not stream.let_go("one")
