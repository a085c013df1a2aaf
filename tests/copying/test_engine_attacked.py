"""The engine under attack: drives that come back from the dead, other stations, slow flushes, dates of old clocks."""

from __future__ import annotations

import dataclasses
import errno
import os
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from copying.rig import SMALL, Rig, Work
from rollproof.copying.plan import same_time
from rollproof.copying.writer import WriteWays
from rollproof.models.errors import Interrupted
from rollproof.models.findings import Kind
from rollproof.models.requests import Cancel
from rollproof.models.volumes import Limits
from rollproof.reading.buffers import BufferPool
from rollproof.reading.parcels import Parcel, ParcelStream, ReadAhead, Segment

CARD = {f"F{number:03}.dng": 5_000 for number in range(60)}


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    made = Rig(tmp_path)
    made.fill(CARD)
    return made


def test_a_drive_that_hung_and_comes_back_gets_nothing_more_and_is_not_sealed(rig: Rig) -> None:
    """Small files travel several to a buffer: after a hang the rest of them must not be taken from it."""
    let_go = threading.Event()
    victim = str(rig.top / "one")
    sealed: list[str] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "write" and os.readlink(f"/proc/self/fd/{given[0]}").startswith(victim):
            let_go.wait(30)

    rig.ways = WriteWays(direct=False, allocate=False, volume_flush=False)
    run = rig.run(io=HookedIo(hook), before_seal=lambda: sealed.append(threading.current_thread().name))
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    assert lanes["one"].failure is not None
    (lane,) = [thread for thread in threading.enumerate() if thread.name == "drive-one"]
    let_go.set()
    lane.join(30)
    assert sealed == ["drive-two"]
    named = [path for path in (rig.top / "one").iterdir() if path.suffix == ".dng"]
    assert len(named) <= 1  # the one it was writing
    assert all(path.read_bytes() == (rig.card / path.name).read_bytes() for path in named)


@pytest.mark.parametrize("operation", ["create", "write", "flush", "read"])
def test_a_bug_in_a_lane_fails_its_drive_at_once_and_the_others_finish(
    rig: Rig, operation: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not after the time a silent drive is given: the drive did not hang, and nobody should wait for it."""
    victim = str(rig.top / "one")

    def hook(made: str, name: bytes, given: tuple[Any, ...]) -> None:
        if made != operation:
            return
        if made == "create":
            on_victim = threading.current_thread().name == "drive-one"
        else:
            on_victim = os.readlink(f"/proc/self/fd/{given[0]}").startswith(victim)
        if on_victim:
            raise RuntimeError("a bug")

    def note_interrupted(self: Work) -> None:
        if self.path.name == "one":
            raise RuntimeError("and one more, while it is being noted")

    monkeypatch.setattr(Work, "note_interrupted", note_interrupted)
    rig.ways = WriteWays(direct=False, allocate=False, volume_flush=False)
    rig.settings = dataclasses.replace(SMALL, stall_seconds=60.0)
    began = time.monotonic()
    run = rig.run(io=HookedIo(hook))
    assert time.monotonic() - began < 30
    assert not run.outcome.hangs
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    assert lanes["one"].state == "failed"
    assert isinstance(lanes["one"].crash, RuntimeError)
    assert lanes["one"].failure is not None
    assert "unexpected error" in lanes["one"].failure.detail
    assert lanes["two"].failure is None
    assert len(run.proven("two")) == len(CARD)


def test_a_buffer_that_a_hanging_call_may_touch_stays_as_it_is_for_the_others_and_is_never_used_again() -> None:
    pool = BufferPool(4096)
    given: list[Parcel] = []

    def fill(buffer: Any) -> list[Segment]:
        buffer.view[:4] = b"good"
        return [Segment(0, 0, 4, 0, True)]

    stream = ParcelStream(pool, iter([fill]), ["hangs", "works"], ReadAhead("test", 1, 2, lambda: False))
    stream.start()
    given.append(next(stream.parcels("hangs")))
    buffer = given[0].buffer
    stream.drop("hangs", holds=given[0])
    for parcel in stream.parcels("works"):
        assert bytes(parcel.buffer.view[:4]) == b"good"
        stream.done("works", parcel)
    assert pool.take() is not buffer


def test_an_unfinished_file_that_another_station_put_in_its_place_gets_no_name(rig: Rig) -> None:
    """Where a file system has no locks, two stations may be at work on one roll."""

    class TwoStations(HookedIo):
        def set_modified(self, handle: int, modified_ns: int) -> None:
            super().set_modified(handle, modified_ns)
            path = os.readlink(f"/proc/self/fd/{handle}")
            if path.endswith("one/F007.dng.rollproof-partial"):
                os.unlink(path)
                Path(path).write_bytes(b"half of what the other station is wri")

    run = rig.run(io=TwoStations(lambda operation, name, given: None))
    assert not (rig.top / "one" / "F007.dng").exists()
    assert run.proven("one") == {name.encode() for name in CARD} - {b"F007.dng"}


def test_a_large_file_written_through_the_cache_is_flushed_on_its_way(rig: Rig) -> None:
    rig.fill({"big.mov": 1_000_000})
    rig.settings = dataclasses.replace(SMALL, flush_large_bytes=256 << 10)
    rig.ways = WriteWays(direct=False, allocate=False, volume_flush=False)
    flushes: list[bytes] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "flush" and name.startswith(b"big.mov"):
            flushes.append(name)

    rig.run(io=HookedIo(hook))
    assert len(flushes) >= 2 * 3


def test_a_card_whose_files_all_fail_at_once_is_gone_and_not_read_to_its_end(rig: Rig) -> None:
    tries: list[bytes] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation != "read" or not os.readlink(f"/proc/self/fd/{given[0]}").startswith(str(rig.card)):
            return
        tries.append(name)
        raise OSError(errno.EIO, "Input/output error")

    run = rig.run(io=HookedIo(hook))
    assert run.outcome.source_failure is not None
    assert run.outcome.source_failure.kind is Kind.CARD_MISSING
    assert len(set(tries)) < len(CARD)


def test_the_last_look_at_a_card_may_take_long_as_long_as_the_card_answers(rig: Rig, tmp_path: Path) -> None:
    looked: list[bool] = []
    rig.settings = dataclasses.replace(SMALL, stall_seconds=0.5)

    def settle(cancel: Cancel) -> list[Any]:
        waiting = threading.Event()
        for _ in range(12):
            waiting.wait(0.1)
            looked.append(cancel.is_set())
        return []

    run = rig.run(settle=settle)
    assert run.outcome.source_failure is None
    assert run.proven("one") == {name.encode() for name in CARD}


def test_an_end_asked_for_during_the_last_look_is_no_fault_of_the_card(rig: Rig) -> None:
    cancel = Cancel()

    def settle(given: Cancel) -> list[Any]:
        cancel.set()
        assert given.is_set()
        raise Interrupted("Stopped.")

    run = rig.run(cancel=cancel, settle=settle)
    assert run.outcome.interrupted
    assert run.outcome.source_failure is None


DAY = 86_400 * 1_000_000_000
FAT = Limits(timestamp_ns=2_000_000_000, earliest_ns=315_532_800 * 1_000_000_000)


@pytest.mark.parametrize(
    ("card", "drive", "same"),
    [
        (1_747_210_000_123_456_789, 1_747_210_000_000_000_000, True),
        (1_747_210_000_123_456_789, 1_747_210_002_123_456_789, False),
        (0, 315_532_800 * 1_000_000_000, True),
        (-5 * DAY, 315_532_800 * 1_000_000_000 + DAY // 2, True),
        (0, 1_747_210_000_000_000_000, False),
        (1_747_210_000_000_000_000, 315_532_800 * 1_000_000_000, False),
    ],
)
def test_a_date_before_the_first_that_a_drive_holds_is_the_first_one_there(card: int, drive: int, same: bool) -> None:
    assert same_time(drive, card, FAT) is same


def test_a_date_that_a_drive_can_hold_is_held_exactly() -> None:
    assert not same_time(1, 2, Limits())
