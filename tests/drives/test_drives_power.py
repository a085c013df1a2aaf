"""Mains or battery, and staying awake: told from files, asked through a launcher, never in the way of the job."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import IO

import pytest

from rollproof.drives.power import keep_awake, on_battery


def supplies(root: Path, **found: dict[str, str]) -> bytes:
    for name, attributes in found.items():
        folder = root / "sys/class/power_supply" / name
        folder.mkdir(parents=True)
        for key, value in attributes.items():
            (folder / key).write_text(value + "\n")
    return os.fsencode(root)


MAINS_ON = {"type": "Mains", "online": "1"}
MAINS_OFF = {"type": "Mains", "online": "0"}
DRAINS = {"type": "Battery", "status": "Discharging"}
FULL = {"type": "Battery", "status": "Full"}
MOUSE = {"type": "Battery", "status": "Discharging", "scope": "Device"}


@pytest.mark.parametrize(
    ("found", "answer"),
    [
        ({"AC": MAINS_ON, "BAT0": DRAINS}, False),
        ({"AC": MAINS_OFF, "BAT0": DRAINS}, True),
        ({"AC": MAINS_OFF, "BAT0": FULL}, True),
        ({"BAT0": DRAINS, "BAT1": FULL}, True),
        ({"BAT0": FULL}, False),
        ({"mouse": MOUSE}, None),
        ({"usbc": {"type": "USB", "online": "1"}, "BAT0": DRAINS}, False),
        ({}, None),
    ],
)
def test_the_power_supplies_tell(tmp_path: Path, found: dict[str, dict[str, str]], answer: bool | None) -> None:
    assert on_battery(supplies(tmp_path, **found), "linux") is answer


class Helper:
    """A started program that remembers what was done to it."""

    def __init__(self, *, stubborn: bool = False) -> None:
        self.stdin: IO[bytes] | None = None
        self.done: list[str] = []
        self.stubborn = stubborn

    def terminate(self) -> None:
        self.done.append("terminate")

    def kill(self) -> None:
        self.done.append("kill")

    def wait(self, timeout: float | None = None) -> int:
        if self.stubborn:
            raise subprocess.TimeoutExpired("helper", timeout or 0)
        self.done.append("wait")
        return 0


@pytest.mark.parametrize(("system", "program"), [("linux", "systemd-inhibit"), ("darwin", "caffeinate")])
def test_the_system_is_asked_while_the_job_runs_and_released_after(system: str, program: str) -> None:
    helper, commands = Helper(), list[Sequence[str]]()

    def launch(command: Sequence[str]) -> Helper:
        commands.append(command)
        return helper

    with keep_awake("offload of A003", system=system, launch=launch):
        assert commands[0][0] == program
        assert helper.done == []
    assert helper.done == ["terminate", "wait"]


def test_a_helper_that_will_not_end_is_killed() -> None:
    helper = Helper(stubborn=True)
    with keep_awake(system="linux", launch=lambda command: helper):
        pass
    assert helper.done == ["terminate", "kill"]


def test_the_job_goes_on_where_there_is_no_such_program_and_its_errors_come_through() -> None:
    def launch(command: Sequence[str]) -> Helper:
        raise FileNotFoundError(command[0])

    with pytest.raises(KeyError), keep_awake(system="linux", launch=launch):
        raise KeyError("the job's own")


def test_windows_is_asked_and_released() -> None:
    states: list[int] = []
    with keep_awake(system="win32", set_state=states.append):
        assert states == [0x80000001]
    assert states == [0x80000001, 0x80000000]


def test_the_real_helper_leaves_no_process_behind() -> None:
    before = set(os.listdir("/proc/self/task"))
    started: list[subprocess.Popen[bytes]] = []

    def launch(command: Sequence[str]) -> subprocess.Popen[bytes]:
        # the same pipe as in earnest, without the system service that this machine may not have
        started.append(subprocess.Popen(["cat"], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL))
        return started[0]

    with keep_awake(system="linux", launch=launch):
        assert started[0].poll() is None
    assert started[0].poll() is not None
    assert set(os.listdir("/proc/self/task")) == before
