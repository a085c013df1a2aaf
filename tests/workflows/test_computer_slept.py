"""A computer that slept with a card in its reader: neither listing nor re-read is believed until it was put in anew."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import pytest

from rollproof.drives.linux import Calls, LinuxDrives
from rollproof.models.results import MayWipeResult
from support.devices import Devices
from workflows.wipe_bench import Bench

pytestmark = pytest.mark.device

WIPE, KEEP = "MAY WIPE", "KEEP"


class Clock:
    """Counts the sleeps of this computer."""

    slept = 100.0

    def __call__(self) -> float:
        return self.slept


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("slept")
    with Devices(folder) as devices:
        (folder / "work").mkdir()
        yield Bench(devices, folder / "work")


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def bench(made: Bench, clock: Clock) -> Bench:
    """The card is proven on two drives."""
    made.sweep()
    made.drives = LinuxDrives(calls=dataclasses.replace(Calls(), slept_seconds=clock))
    made.offload()
    return made


def kinds(answer: MayWipeResult) -> set[str]:
    return {found.kind for found in answer.findings if found.severity == "error"}


@pytest.mark.parametrize("reread", [False, True])
def test_after_a_sleep_neither_listing_nor_reading_is_believed(bench: Bench, clock: Clock, reread: bool) -> None:
    assert bench.ask(reread=reread).answer == WIPE
    clock.slept += 3_600
    answer = bench.ask(reread=reread)
    assert (answer.answer, kinds(answer)) == (KEEP, {"computer-slept"})


def test_one_re_plug_is_enough(bench: Bench, clock: Clock) -> None:
    clock.slept += 3_600
    assert bench.ask().answer == KEEP
    bench.card.replug()
    assert bench.ask().answer == WIPE
    clock.slept += 3_600
    assert bench.ask().answer == KEEP, "another sleep, another look"


def test_a_re_plug_before_the_sleep_is_not_enough(bench: Bench, clock: Clock) -> None:
    bench.card.replug()
    assert bench.ask().answer == WIPE
    clock.slept += 3_600
    assert kinds(bench.ask()) == {"computer-slept"}


def test_clocks_that_are_read_one_after_the_other_are_no_sleep(bench: Bench, clock: Clock) -> None:
    clock.slept += 0.3
    assert bench.ask().answer == WIPE


def test_this_computer_counts_its_sleeps() -> None:
    told = LinuxDrives().slept_seconds()
    assert told is not None
    assert told >= -0.01
