"""A slow drive holds nobody back: it falls behind, and gets the rest from another drive's copy."""

from __future__ import annotations

import os
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from copying.gate import FILES, IMPATIENT, WAIT, Gate, card_reads, kinds, lies_on, opened_by
from copying.rig import Rig
from rollproof.models.events import DriveDone, Event, FindingRaised, Leg, LegEnded
from rollproof.models.findings import Kind


def test_the_fast_drive_is_read_back_while_the_slow_one_has_hardly_begun(tmp_path: Path) -> None:
    rig = Rig(tmp_path, settings=IMPATIENT)
    rig.fill(FILES)
    gate = Gate(tmp_path, "two")
    run = rig.run(io=HookedIo(gate), on_event=opened_by(gate))
    assert not gate.waited_in_vain
    assert run.proven("one") == run.proven("two") == {os.fsencode(name) for name in FILES}
    assert kinds(run) == {Kind.FELL_BEHIND}
    said = [event.finding for event in run.events if isinstance(event, FindingRaised)]
    assert ["leave all drives attached" in finding.remedy for finding in said] == [True]
    noted = [finding for lane in run.outcome.lanes for finding in lane.notes]
    assert ["leave all drives attached" in finding.remedy for finding in noted] == [False], "it is over"
    assert card_reads(run) == 2, "the card is never read a third time"


def test_a_drive_that_is_still_needed_may_be_unplugged_only_when_the_slow_one_has_everything(tmp_path: Path) -> None:
    rig = Rig(tmp_path, settings=IMPATIENT)
    rig.fill(FILES)
    gate = Gate(tmp_path, "two")

    def on_event(event: Event) -> None:
        if isinstance(event, DriveDone) and event.drive == "one":
            gate.open.set()

    run = rig.run(io=HookedIo(gate), on_event=on_event)
    assert not gate.waited_in_vain
    told = [event for event in run.events if isinstance(event, DriveDone) and event.drive == "one"]
    assert [event.needed is not None for event in told] == [True, False]
    caught_up = next(event for event in run.events if isinstance(event, LegEnded) and event.leg is Leg.CATCH_UP)
    assert run.events.index(caught_up) < run.events.index(told[1])


def test_what_a_slow_drive_gets_later_is_what_the_card_holds(tmp_path: Path) -> None:
    rig = Rig(tmp_path, settings=IMPATIENT)
    rig.fill(FILES)
    gate = Gate(tmp_path, "two")
    rig.run(io=HookedIo(gate), on_event=opened_by(gate))
    for name in FILES:
        assert (tmp_path / "two" / name).read_bytes() == (rig.card / name).read_bytes()
        assert (tmp_path / "two" / name).stat().st_mtime_ns == (rig.card / name).stat().st_mtime_ns
    assert not list((tmp_path / "two").rglob("*.rollproof-partial"))


def test_a_wrong_byte_on_the_fast_drive_is_never_passed_on_to_the_slow_one(tmp_path: Path) -> None:
    rig = Rig(tmp_path, settings=IMPATIENT)
    rig.fill(FILES)
    gate = Gate(tmp_path, "two")
    bad = "CLIPS/A003C007.mov"

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> Any:
        # the bit falls over after the writing and before anybody reads the copy again
        if operation == "flush_volume" and (tmp_path / "one" / bad).exists():
            with open(tmp_path / "one" / bad, "r+b") as file:
                file.seek(100_000)
                file.write(b"\x00" if (rig.card / bad).read_bytes()[100_000] else b"\x01")
            os.utime(tmp_path / "one" / bad, ns=(1_700_000_000_123_456_789, 1_700_000_000_123_456_789))
        return gate(operation, name, arguments)

    run = rig.run(io=HookedIo(hook), on_event=opened_by(gate))
    assert not gate.waited_in_vain
    good = {os.fsencode(name) for name in FILES} - {os.fsencode(bad)}
    assert run.proven("two") == good
    assert not (tmp_path / "two" / bad).exists(), "no final name for bytes that the card never gave"
    assert [finding.path for finding in run.board.copy_findings("two")] == [bad]


def test_with_a_third_drive_the_file_comes_from_a_copy_that_is_good(tmp_path: Path) -> None:
    rig = Rig(tmp_path, drives=("one", "two", "three"), settings=IMPATIENT)
    rig.fill(FILES)
    gate = Gate(tmp_path, "two")
    bad = "CLIPS/A003C007.mov"

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> Any:
        if operation == "flush_volume" and (tmp_path / "one" / bad).exists():
            with open(tmp_path / "one" / bad, "r+b") as file:
                file.seek(100_000)
                file.write(b"\x00" if (rig.card / bad).read_bytes()[100_000] else b"\x01")
            os.utime(tmp_path / "one" / bad, ns=(1_700_000_000_123_456_789, 1_700_000_000_123_456_789))
        return gate(operation, name, arguments)

    run = rig.run(io=HookedIo(hook), on_event=opened_by(gate, drives=2))
    assert not gate.waited_in_vain
    assert run.proven("two") == run.proven("three") == {os.fsencode(name) for name in FILES}


def test_a_drive_that_fell_behind_and_has_nobody_left_to_follow_fails_with_one_finding(tmp_path: Path) -> None:
    rig = Rig(tmp_path, settings=IMPATIENT)
    rig.fill(FILES)
    gate = Gate(tmp_path, "two")

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> Any:
        if operation == "read" and gate.blocks > 2 and lies_on("one", tmp_path, arguments[0]):
            gate.open.set()
            raise OSError(19, "No such device")
        return gate(operation, name, arguments)

    run = rig.run(io=HookedIo(hook))
    two = next(lane for lane in run.outcome.lanes if lane.drive == "two")
    assert two.state == "failed"
    assert two.failure is not None and "fell behind" in two.failure.detail
    assert run.works["two"].interrupted


@pytest.mark.parametrize("drives", [("one",), ("one", "two")])
def test_drives_that_are_equally_slow_are_not_let_go(tmp_path: Path, drives: tuple[str, ...]) -> None:
    rig = Rig(tmp_path, drives=drives, settings=replace(IMPATIENT, behind_seconds=0.02, behind_share=0.0))
    rig.fill(FILES)
    together = threading.Barrier(len(drives))

    def hook(operation: str, name: bytes, arguments: tuple[Any, ...]) -> Any:
        if operation == "write" and any(lies_on(drive, tmp_path, arguments[0]) for drive in drives):
            together.wait(WAIT)
        return None

    run = rig.run(io=HookedIo(hook))
    assert kinds(run) == set()
    assert all(len(run.proven(drive)) == len(FILES) for drive in drives)
