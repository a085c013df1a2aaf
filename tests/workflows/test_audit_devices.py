"""An audit of real drives: what only the medium knows, a drive that is one device with another, a stop and a rerun."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from cli.running import run_line
from support.devices import Devices, Drive
from workflows.station import fill

pytestmark = pytest.mark.device


@pytest.fixture
def drives(devices: Devices, tmp_path: Path) -> tuple[Drive, Drive]:
    """Two rolls on two ext4 drives."""
    one, two = devices.image("ext4"), devices.image("ext4")
    for roll in ("A001", "A002"):
        card = devices.image("exfat")
        fill(card.mount, {f"CLIP/{roll}C{number:03}.mov": 3_000_000 for number in range(1, 4)}, salt=roll.encode())
        card.replug(read_only=True)
        status, said = run("offload", card.mount, "--to", one.mount, "--to", two.mount, "--roll", roll)
        assert status == 0, said
    return one, two


def run(*words: str | Path) -> tuple[int, dict[str, Any]]:
    """The command: exit status and the one JSON object."""
    ran = run_line(*map(str, words), "--json")
    answer: dict[str, Any] = json.loads(ran.out)
    return ran.status, answer


def kinds(answer: dict[str, Any], severity: str = "error") -> set[str]:
    """Kinds of findings of a severity."""
    return {finding["kind"] for finding in answer["findings"] if finding["severity"] == severity}


def test_a_bit_that_rotted_on_the_medium_is_found_by_reading_again_and_only_so(drives: tuple[Drive, Drive]) -> None:
    one, two = drives
    status, answer = run("audit", one.mount, two.mount)
    assert (status, answer["verdict"], kinds(answer), kinds(answer, "warning")) == (0, "complete", set(), set())
    assert {copy["state"] for roll in answer["rolls"] for copy in roll["copies"]} == {"proven"}
    two.flip(two.mount / "A002/CLIP/A002C002.mov", 1_500_000)
    assert run("audit", one.mount, two.mount)[0] == 0
    status, answer = run("audit", one.mount, two.mount, "--reread")
    assert (status, kinds(answer)) == (1, {"differs", "too-few-copies"})
    states = {(roll["name"], copy["drive"]): copy["state"] for roll in answer["rolls"] for copy in roll["copies"]}
    assert states == {("A001", 0): "reread", ("A001", 1): "reread", ("A002", 0): "reread", ("A002", 1): "damaged"}
    # the newest word stands: the next look knows it without reading
    assert run("audit", one.mount, two.mount)[0] == 1


def test_two_folders_of_one_drive_count_once(drives: tuple[Drive, Drive], devices: Devices) -> None:
    one, _ = drives
    again = devices.bind(one.mount)
    status, answer = run("audit", one.mount, again)
    assert status == 1
    assert "too-few-copies" in kinds(answer)
    assert {roll["copies_counted"] for roll in answer["rolls"]} == {1}


def test_a_drive_that_was_written_elsewhere_proves_nothing_on_a_clone(
    drives: tuple[Drive, Drive], devices: Devices
) -> None:
    one, _ = drives
    clone = devices.image("ext4")
    subprocess.run(["cp", "-a", f"{one.mount}/A001", f"{one.mount}/A002", clone.mount], check=True)
    status, answer = run("audit", one.mount, clone.mount)
    assert (status, kinds(answer)) == (1, {"too-few-copies"})
    assert {copy["state"] for roll in answer["rolls"] for copy in roll["copies"] if copy["drive"] == 1} == {"copied"}
    assert run("audit", one.mount, clone.mount, "--reread")[0] == 0
    assert run("audit", one.mount, clone.mount)[0] == 0


def test_ctrl_c_ends_with_130_and_the_same_command_goes_on(drives: tuple[Drive, Drive]) -> None:
    one, two = drives
    command = [sys.executable, "-m", "rollproof", "audit", one.mount, two.mount, "--reread"]
    process = subprocess.Popen([*map(str, command)], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    began = time.monotonic()
    while not list(one.mount.rglob("*_verify_*.json")) and time.monotonic() - began < 60:
        time.sleep(0.001)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    read = len([*one.mount.rglob("*_verify_*.json"), *two.mount.rglob("*_verify_*.json")])
    # on a quick machine everything may have been read by then
    assert process.returncode in (0, 130), said
    status, answer = run("audit", one.mount, two.mount, "--reread")
    assert (status, answer["verdict"]) == (0, "complete")
    if process.returncode == 130:
        assert b"run the same command again" in said
        assert answer["copies_read_before"] == read
        assert answer["copies_reread"] == 4 - read
    assert os.environ["ROLLPROOF_HOME"]


def test_two_rolls_of_one_name_that_were_copied_on_from_one_drive_stay_two(devices: Devices) -> None:
    primary, archive = devices.image("ext4"), devices.image("ext4")
    for unit, size in (("main", 90_000), ("second", 70_000)):
        card = devices.image("exfat")
        fill(card.mount, {"CLIP/A003C001.mov": size}, salt=unit.encode())
        (primary.mount / unit).mkdir()
        card.replug(read_only=True)
        assert run("offload", card.mount, "--to", primary.mount / unit, "--roll", "A003")[0] == 0
    assert run("offload", primary.mount, "--to", archive.mount)[0] == 0
    _, answer = run("audit", archive.mount)
    assert [roll["name"] for roll in answer["rolls"]] == ["A003", "A003"]
    assert kinds(answer).isdisjoint({"copies-disagree", "not-in-every-copy"})
