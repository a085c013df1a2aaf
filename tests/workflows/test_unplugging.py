"""`The drive may be unplugged`: true for the whole drive, whoever else is at work on it."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from support.devices import Devices
from support.station import Station, kill_group
from workflows.station import CLIPS, fill

pytestmark = pytest.mark.device

FREE = "The drive {} may be unplugged"


class Cart:
    """Two cards, two drives, one station."""

    def __init__(self, devices: Devices, folder: Path) -> None:
        self.first = devices.image("ext4", name="A003").mount
        self.second = devices.image("ext4", name="B002").mount
        self.primary = devices.image("ext4", name="primary").mount
        self.backup = devices.image("ext4", name="backup").mount
        fill(self.first, CLIPS)
        fill(self.second, {"CLIP/B002C001_260514.mov": 90_000})
        (folder / "work").mkdir()
        self.station = Station(folder / "home", folder / "work")

    def words(self, card: Path, roll: str, *drives: Path) -> list[Any]:
        """The words of an offload."""
        to = [word for drive in drives for word in ("--to", drive)]
        return ["offload", card, "--roll", roll, *to]

    def stopped_when(self, begun: Callable[[], bool], *words: Any) -> subprocess.Popen[bytes]:
        """A run of its own in another terminal, held for as long as wanted once it has begun."""
        process = self.station.start(*words)
        while not begun() and process.poll() is None:
            time.sleep(0.001)
        os.killpg(process.pid, signal.SIGSTOP)
        assert process.poll() is None
        return process

    def writes(self) -> bool:
        """Whether the first card is being copied to the first drive."""
        return (self.primary / "A003" / "NOT-FINISHED.rollproof-partial").exists()

    def at_work(self) -> bool:
        """Whether some run says that it is at work on a drive."""
        top = self.station.home / "at-work"
        return top.is_dir() and any(list(run.iterdir()) for run in top.iterdir())


@pytest.fixture
def cart(devices: Devices, tmp_path: Path) -> Cart:
    return Cart(devices, tmp_path)


def test_a_drive_that_another_run_writes_to_is_not_said_to_be_free(cart: Cart) -> None:
    other = cart.stopped_when(cart.writes, *cart.words(cart.first, "A003", cart.primary))
    try:
        told = cart.station.run(*cart.words(cart.second, "B002", cart.primary, cart.backup))
        assert told.status == 0, told.text
        assert FREE.format("primary") not in told.text
        assert "Another run of this station is at work on it: leave it plugged in." in told.text
        assert FREE.format("backup") in told.text
        os.killpg(other.pid, signal.SIGCONT)
        _, said = other.communicate(timeout=60)
        assert other.returncode == 0, said
        assert FREE.format("primary").encode() in said, "the last one that is at work on it says so"
    finally:
        kill_group(other)
        other.wait()


def test_a_run_that_was_killed_keeps_no_drive(cart: Cart) -> None:
    other = cart.stopped_when(cart.writes, *cart.words(cart.first, "A003", cart.primary))
    kill_group(other)
    other.communicate()
    told = cart.station.run(*cart.words(cart.second, "B002", cart.primary))
    assert FREE.format("primary") in told.text
    assert not list((cart.station.home / "at-work").iterdir()), "what it left behind is cleared away"


def test_a_verify_in_another_terminal_needs_the_drive_too(cart: Cart) -> None:
    assert cart.station.run(*cart.words(cart.first, "A003", cart.primary)).status == 0
    verifying = cart.stopped_when(cart.at_work, "verify", cart.primary / "A003")
    try:
        told = cart.station.run(*cart.words(cart.second, "B002", cart.primary))
        assert FREE.format("primary") not in told.text
    finally:
        kill_group(verifying)
        verifying.communicate()


def test_two_destinations_on_one_drive_are_free_together(cart: Cart) -> None:
    for name in ("one", "two"):
        (cart.primary / name).mkdir()
    told = cart.station.run(*cart.words(cart.first, "A003", cart.primary / "one", cart.primary / "two"))
    lines = [line for line in told.text.splitlines() if "The drive" in line]
    done = [number for number, line in enumerate(lines) if " has roll A003" in line]
    free = [number for number, line in enumerate(lines) if " may be unplugged" in line]
    assert (len(done), len(free)) == (1, 2), told.text
    assert max(done) < min(free)


def test_a_recorded_copy_before_another_card_does_not_free_its_drive(cart: Cart) -> None:
    assert cart.station.run(*cart.words(cart.first, "A003", cart.primary)).status == 0
    words = ("offload", cart.primary / "A003", cart.second, "--to", cart.backup)
    told = cart.station.run(*words)
    lines = [line for line in told.text.splitlines() if "The drive backup" in line]
    assert ["may be unplugged" in line for line in lines] == [False, True], told.text


def test_where_nobody_can_tell_it_is_not_said(cart: Cart) -> None:
    cart.station.home.mkdir()
    (cart.station.home / "at-work").write_text("in the way")
    told = cart.station.run(*cart.words(cart.first, "A003", cart.primary))
    assert told.status == 0, told.text
    assert FREE.format("primary") not in told.text
    assert "could not be told" in told.text
