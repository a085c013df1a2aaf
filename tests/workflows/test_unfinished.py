"""An offload that was begun stays known until it is finished: on real drives, after kill -9 and after Ctrl-C."""

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

from support.devices import Devices
from support.station import Ended, Station, kill_group
from workflows.station import fill

pytestmark = pytest.mark.device

CLIPS = {f"CLIP/A008C00{number}_260514.mov": 4_000_000 for number in range(1, 7)}
PRODUCTION = """\
name = "The Bell Foundry"
folder = "{production}/{roll}"
"""


class Cart:
    """A card whose name needs quotes, and drives."""

    def __init__(self, devices: Devices, folder: Path) -> None:
        self.card = devices.image("ext4", name="A008").mount
        self.primary = devices.image("ext4", name="primary").mount
        self.backup = devices.image("ext4", name="backup").mount
        self.third = devices.image("ext4", name="shuttle").mount
        fill(self.card, CLIPS)
        self.work = folder / "the day's work"
        self.work.mkdir()
        self.station = Station(folder / "home", self.work)

    def words(self, *drives: Path) -> list[Any]:
        """The words of the offload, some of which mean something only in the working folder."""
        to = [word for drive in drives or (self.primary, self.backup) for word in ("--to", drive)]
        return ["offload", self.card, "--roll", "A008", "--by", "the data wrangler", *to]

    def begun(self, end: signal.Signals, *words: Any, at: Path | None = None) -> Ended:
        """An offload that ends by this signal once the roll folder is marked as not finished. It is held first, so that
        it is in the middle of its work whatever this computer has to do."""
        marker = (at or self.primary / "A008") / "NOT-FINISHED.rollproof-partial"
        process = self.station.start(*(words or self.words()))
        while not marker.exists() and process.poll() is None:
            time.sleep(0.0005)
        os.killpg(process.pid, signal.SIGSTOP)
        assert process.poll() is None, "it ended before it could be stopped"
        try:
            os.killpg(process.pid, end)
            os.killpg(process.pid, signal.SIGCONT)
            out, err = process.communicate(timeout=60)
        finally:
            kill_group(process)
        assert marker.exists(), (out, err)
        return Ended(process.returncode, out, err, 0.0)

    def told(self, *words: Any) -> Ended:
        """What a command says. Its status is its own business."""
        return self.station.run(*words)

    def paste(self, command: str, folder: Path) -> subprocess.CompletedProcess[str]:
        """What a person does: the line, in a shell, in another folder."""
        line = command.replace("rollproof ", f"{sys.executable} -m rollproof ", 1)
        return subprocess.run(
            ["bash", "-c", line], cwd=folder, env=self.station.variables(), capture_output=True, text=True, timeout=120,
            stdin=subprocess.DEVNULL, check=False,
        )  # fmt: skip


@pytest.fixture
def cart(devices: Devices, tmp_path: Path) -> Cart:
    return Cart(devices, tmp_path)


def command_in(text: str) -> str:
    """The command that a screen gives, as it would be selected there."""
    (line,) = {line.partition("rollproof offload")[2] for line in text.splitlines() if "rollproof offload " in line}
    return f"rollproof offload{line}"


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGINT], ids=["killed", "ctrl-c"])
def test_a_roll_that_was_begun_is_told_until_the_pasted_command_has_finished_it(
    cart: Cart, tmp_path: Path, end: signal.Signals
) -> None:
    ended = cart.begun(end)
    assert ended.status == (-signal.SIGKILL if end is signal.SIGKILL else 130), ended.text
    screens = {
        "rolls": ("rolls",),
        "rolls A008": ("rolls", "A008"),
        "may-wipe": ("may-wipe", cart.card),
        "audit": ("audit", cart.primary, cart.backup),
        "inspect a copy": ("inspect", cart.primary / "A008"),
        "inspect the card": ("inspect", cart.card),
        "cards": ("cards",),
    }
    commands = set()
    for screen, words in screens.items():
        told = cart.told(*words)
        assert "A008" in told.text, (screen, told.text)
        assert "not finished" in told.text, (screen, told.text)
        assert "who put it there" not in told.text, (screen, told.text)
        commands.add(command_in(told.text))
    (command,) = commands
    assert "KEEP" in cart.told("may-wipe", cart.card).text
    as_json = cart.told("rolls", "--json").json
    assert [(each["roll"], each["state"], each["drives"]) for each in as_json["unfinished"]] == [
        ("A008", "unfinished", ["primary", "backup"])
    ]

    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    done = cart.paste(command, elsewhere)
    assert done.returncode == 0, done.stdout + done.stderr
    for screen, words in screens.items():
        told = cart.told(*words)
        assert "not finished" not in told.text, (screen, told.text)
    assert cart.told("rolls", "--json").json["unfinished"] == []
    assert "proven" in cart.told("rolls").text


def test_the_command_names_the_production_file_that_ruled(cart: Cart, tmp_path: Path) -> None:
    drives = "".join(
        f'\n[[drives]]\nrole = "{name}"\npath = "{path}"\n'
        for name, path in (("primary", cart.primary), ("backup", cart.backup))
    )
    (cart.work / "production.toml").write_text(PRODUCTION + drives, encoding="utf-8")
    at = cart.primary / "The Bell Foundry" / "A008"
    cart.begun(signal.SIGKILL, "offload", cart.card, "--roll", "A008", at=at)
    (unfinished,) = cart.told("rolls", "--json").json["unfinished"]
    assert str(cart.work / "production.toml") in unfinished["command"].replace("'\"'\"'", "'")
    assert "--to" not in unfinished["command"]
    done = cart.paste(unfinished["command"], tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert cart.told("rolls", "--json").json["unfinished"] == []
    assert (at / "CLIP").is_dir() and not (at / "NOT-FINISHED.rollproof-partial").exists()


def test_a_run_that_still_is_at_work_is_no_unfinished_one(cart: Cart) -> None:
    marker = cart.primary / "A008" / "NOT-FINISHED.rollproof-partial"
    process = cart.station.start(*cart.words())
    try:
        while not marker.exists() and process.poll() is None:
            time.sleep(0.0005)
        os.killpg(process.pid, signal.SIGSTOP)
        assert process.poll() is None
        (now,) = cart.told("rolls", "--json").json["unfinished"]
        assert now["state"] == "at work"
        told = cart.told("may-wipe", cart.card)
        assert "still at work" in told.text and "KEEP" in told.text, told.text
        os.killpg(process.pid, signal.SIGCONT)
        process.communicate(timeout=60)
        assert process.returncode == 0
    finally:
        kill_group(process)
        process.wait()
    assert cart.told("rolls", "--json").json["unfinished"] == []


def test_a_copy_beside_enough_others_is_told_with_its_roll_and_takes_nothing_from_the_card(cart: Cart) -> None:
    cart.begun(signal.SIGKILL, *cart.words(cart.third), at=cart.third / "A008")
    time.sleep(1.1)  # moments are told in whole seconds
    assert cart.station.run(*cart.words()).status == 0
    assert cart.told("rolls", "--json").json["unfinished"] == [], "the list is of what a person has to act on"
    story = cart.told("rolls", "A008", "--json").json
    assert [(each["state"], each["needs_card"]) for each in story["unfinished"]] == [("left over", False)]
    answer = json.loads(cart.told("may-wipe", cart.card, "--json").stdout)
    assert not any(each["kind"] == "not-finished" for each in answer["reasons"]), answer["reasons"]


def test_a_path_that_no_screen_shows_is_pasted_all_the_same(cart: Cart, tmp_path: Path) -> None:
    odd = os.fsencode(cart.primary) + b"/it's \xff\x1b[31m here"
    os.mkdir(odd)
    cart.begun(
        signal.SIGKILL, "offload", cart.card, "--roll", "A008", "--to", odd, "--to", cart.backup,
        at=Path(os.fsdecode(odd)) / "A008",
    )  # fmt: skip
    (unfinished,) = cart.told("rolls", "--json").json["unfinished"]
    assert "\x1b" not in cart.told("rolls").text
    done = cart.paste(command_in(cart.told("rolls").text), tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert unfinished["drives"]
    assert cart.told("rolls", "--json").json["unfinished"] == []


def test_a_report_begins_with_a_roll_that_is_not_finished_beside_a_finished_roll(cart: Cart, tmp_path: Path) -> None:
    assert cart.station.run(*cart.words()).status == 0
    for clip in cart.card.rglob("*.mov"):
        clip.unlink()
    fill(cart.card, {f"CLIP/A009C00{number}_260514.mov": 4_000_000 for number in range(1, 7)})
    words = ["offload", cart.card, "--roll", "A009", "--to", cart.primary, "--to", cart.backup]
    cart.begun(signal.SIGKILL, *words, at=cart.primary / "A009")
    told = cart.station.run("report", "--production", "--out", tmp_path, "--json")
    page = Path(told.json["files"]["html"]).read_text(encoding="utf-8")
    assert page.index("the offload of roll A009") < page.index("PROVEN SO FAR, NOT ALL IS FINISHED.")
    assert "ALL PROVEN." not in page
    assert told.status == 0, "the report could be written"
