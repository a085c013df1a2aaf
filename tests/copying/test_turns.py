"""Turns at small files: one at a time, first come first served; a device that is slow or hangs keeps nobody."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from copying.rig import SMALL, Rig
from rollproof.models.events import Event, Leg, LegEnded
from rollproof.reading.turns import Turns


def in_thread(work: Callable[[], None]) -> threading.Thread:
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    return thread


def busy(seconds: float) -> None:
    """Work, on the processor."""
    until = time.thread_time() + seconds
    while time.thread_time() < until:
        pass


def test_one_at_a_time_and_each_comes_to_its_turn() -> None:
    turns = Turns(patience_seconds=30)
    inside: list[int] = []
    most: list[int] = []
    done: list[int] = []

    def work(number: int) -> None:
        turn = turns.turn()
        for _ in range(200):
            with turn:
                inside.append(number)
                most.append(len(inside))
                time.sleep(0)
                inside.remove(number)
        done.append(number)

    threads = [in_thread(lambda number=number: work(number)) for number in range(6)]  # type: ignore[misc]
    for thread in threads:
        thread.join(60)
    assert sorted(done) == list(range(6))
    assert max(most) == 1


def test_a_turn_that_lasts_is_given_to_who_waits_between_two_files() -> None:
    turns = Turns(patience_seconds=30)
    order: list[str] = []
    began = threading.Event()

    def long() -> None:
        turn = turns.turn()
        with turn:
            began.set()
            for _ in range(20):
                busy(0.005)
                turn.breathe()
            order.append("long")

    def short() -> None:
        began.wait()
        with turns.turn():
            order.append("short")

    threads = [in_thread(long), in_thread(short)]
    for thread in threads:
        thread.join(60)
    assert order == ["short", "long"]


def test_others_go_on_while_somebody_steps_out() -> None:
    turns = Turns(patience_seconds=30)
    first, second = turns.turn(), turns.turn()
    with first:
        assert turns.has(first)
        with first.out():
            other = in_thread(second.__enter__)
            other.join(60)
            assert turns.has(second)
            turns.give(second)
        assert turns.has(first)
    assert not turns.has(first)
    with first.out():  # outside a turn nothing is taken
        assert not turns.has(first)
    assert not turns.has(first)


def test_a_turn_in_which_a_call_hangs_is_taken_over_and_the_late_comer_takes_nobody_elses() -> None:
    turns = Turns(patience_seconds=0.05, apart_seconds=30)
    hangs, held, after = threading.Event(), threading.Event(), threading.Event()
    stuck = turns.turn()

    def hang() -> None:
        with stuck:
            held.set()
            hangs.wait(60)
        after.set()

    thread = in_thread(hang)
    held.wait(60)
    began = time.monotonic()
    mine = turns.turn()
    with mine:
        assert 0.04 < time.monotonic() - began < 20
        hangs.set()
        thread.join(60)
        assert after.is_set()
        assert turns.has(mine)
    # from now on it takes none, so that nobody waits for it again
    with mine, stuck:
        assert turns.has(mine)


class _Late:
    """The signal of one that waited in vain, and looks again only when much has happened."""

    def __init__(self, meanwhile: Callable[[], None]) -> None:
        self._lock = threading.Lock()
        self._lock.acquire()
        self._meanwhile: Callable[[], None] | None = meanwhile

    def acquire(self, blocking: bool = True, timeout: float = -1) -> bool:
        if self._meanwhile is not None and timeout >= 0:
            meanwhile, self._meanwhile = self._meanwhile, None
            meanwhile()
            return False
        return self._lock.acquire(blocking, timeout)

    def release(self) -> None:
        self._lock.release()


def test_who_was_called_too_late_to_have_its_turn_goes_on_without() -> None:
    turns = Turns(patience_seconds=0.01)
    first, late, other = turns.turn(), turns.turn(), turns.turn()

    def meanwhile() -> None:
        turns.give(first)
        assert turns.has(late)
        turns.take(other)  # after some patience: it was called and did not come
        assert turns.has(other)
        time.sleep(0.02)

    turns.take(first)
    late.called = _Late(meanwhile)  # type: ignore[assignment]
    with late:
        assert turns.has(other)
    turns.give(other)
    with turns.turn():
        pass


def test_a_thread_that_waits_for_its_device_again_and_again_stays_away_longer() -> None:
    turns = Turns(patience_seconds=30, apart_seconds=0.2)
    slow = turns.turn()

    def wait_in_turns() -> None:
        for _ in range(3):
            with slow:
                time.sleep(0.04)

    wait_in_turns()
    time.sleep(0.25)
    wait_in_turns()
    time.sleep(0.25)
    with slow:
        assert not turns.has(slow)
    time.sleep(0.25)
    with slow:
        assert turns.has(slow)


def test_a_thread_that_waits_for_its_device_takes_no_turns_for_a_while() -> None:
    turns = Turns(patience_seconds=30, apart_seconds=0.2)
    slow, quick = turns.turn(), turns.turn()
    for _ in range(4):
        with slow:
            time.sleep(0.04)
    with slow:
        assert not turns.has(slow)
    for _ in range(12):
        with quick:
            busy(0.02)
    with quick:
        assert turns.has(quick)
    time.sleep(0.25)
    with slow:
        assert turns.has(slow)


def test_a_turn_ends_with_what_was_raised_in_it() -> None:
    turns = Turns(patience_seconds=30)
    turn = turns.turn()
    with pytest.raises(OSError, match="gone"), turn:
        raise OSError("gone")
    with pytest.raises(OSError, match="gone"), turn, turn.out():
        raise OSError("gone")
    assert not turns.has(turn)
    with turns.turn():
        pass


def test_a_drive_that_hangs_among_small_files_keeps_no_other_from_its_turns(tmp_path: Path) -> None:
    rig = Rig(tmp_path, settings=replace(SMALL, files_at_once=4, stall_seconds=60))
    rig.fill({f"{number:02}.dng": 5_000 for number in range(12)})
    victim, let_go = str(tmp_path / "one"), threading.Event()
    hung: list[float] = []
    ended: list[float] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "write" and not hung and os.readlink(f"/proc/self/fd/{given[0]}").startswith(victim):
            hung.append(time.monotonic())
            let_go.wait(30)

    def on_event(event: Event) -> None:
        if isinstance(event, LegEnded) and (event.leg, event.drive) == (Leg.READ_BACK, "two"):
            ended.append(time.monotonic())
            let_go.set()

    run = rig.run(io=HookedIo(hook), on_event=on_event)
    assert ended[0] - hung[0] < 15
    assert len(run.proven("one")) == len(run.proven("two")) == 12
