"""The drives of a production at wrap, on real devices: one that lacks rolls, one that is away, a clone in its place."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest

from support.devices import Devices, Drive
from support.station import Ended, Station
from workflows.station import fill

pytestmark = pytest.mark.device

NAMES = ("primary", "backup", "shuttle")


class Cart:
    """Three drives, a production file, and rolls offloaded to those that were attached."""

    def __init__(self, devices: Devices, folder: Path) -> None:
        self.devices = devices
        self.drives = {
            name: devices.image("ext4", name=name, make_options=("-L", name.upper(), "-O", "^has_journal"))
            for name in NAMES
        }
        self.work = folder / "work"
        self.work.mkdir()
        self.station = Station(folder / "home", self.work)
        self.production()

    def __getitem__(self, name: str) -> Drive:
        return self.drives[name]

    def production(self, **more: str) -> None:
        """The production file: each drive by its path, and what else is said of it."""
        drives = "".join(
            f'[[drives]]\nrole = "{name}"\npath = "{self.drives[name].mount}"\n{more.get(name, "")}\n' for name in NAMES
        )
        (self.work / "production.toml").write_text(
            f'name = "The Bell Foundry"\nfirst_day = 2026-05-14\n{drives}', encoding="utf-8"
        )

    def offload(self, roll: str, *names: str, day: str = "1") -> None:
        """A card of three small clips, copied to these drives."""
        card = self.devices.image("ext4", size_bytes=24 << 20)
        clips = {f"CLIP/{roll}C{number:03}_260514.mov": 60_000 for number in range(1, 4)}
        fill(card.mount, clips, salt=roll.encode())
        card.replug(read_only=True)
        to = [word for name in names for word in ("--to", self[name].mount)]
        ended = self.station.run("offload", card.mount, "--roll", roll, "--day", day, *to, "--json")
        assert ended.status == 0, ended.text
        card.unplug()

    def audit(self, *names: str, more: tuple[str, ...] = ()) -> Ended:
        """An audit of these drives by the production file in the working folder."""
        return self.station.run("audit", *(self.devices.folder / name for name in names), *more, "--json")

    def clone(self, name: str) -> Drive:
        """The drive, bit by bit, on another disk; not mounted."""
        self[name].unplug()
        image = self.devices.place("clone.img")
        shutil.copy(self[name].image, image)
        made = Drive(image, self.devices.place("clone"), "ext4")
        self.devices.on_exit().callback(made.give_up)
        self[name].plug_in()
        return made


@pytest.fixture
def cart(devices: Devices, tmp_path: Path) -> Cart:
    return Cart(devices, tmp_path)


def told(ended: Ended, kind: str) -> list[dict[str, Any]]:
    """The findings of a kind."""
    return [finding for finding in ended.json["findings"] if finding["kind"] == kind]


def pasted(cart: Cart, command: str) -> Ended:
    """A command as it was printed, pasted into the shell."""
    program, *words = shlex.split(command)
    assert program == "rollproof"
    return cart.station.run(*words, "--json")


# --- a drive that lacks rolls


def test_a_drive_that_lacks_rolls_is_told_with_a_command_that_fills_it(cart: Cart) -> None:
    cart.offload("A001", *NAMES)
    cart.offload("A002", "primary", "shuttle")
    cart.offload("A003", "primary", "backup")
    ended = cart.audit(*NAMES)
    assert ended.status == 0, ended.text
    lacks = told(ended, "not-on-drive")
    assert [(each["severity"], each["drive"], each["roll"]) for each in lacks] == [
        ("warning", "BACKUP", "A002"),
        ("warning", "SHUTTLE", "A003"),
    ]
    assert lacks[0]["detail"] == "the drive BACKUP lacks roll A002"
    for lack in lacks:
        filled = pasted(cart, lack["remedy"])
        assert (filled.status, filled.json["verdict"]) == (0, "proven"), filled.text
    ended = cart.audit(*NAMES)
    assert told(ended, "not-on-drive") == []
    assert {roll["copies_counted"] for roll in ended.json["rolls"]} == {3}
    assert (cart["backup"].mount / "The Bell Foundry/day_001/A002").is_dir()


def test_what_the_production_file_says_of_a_drive_decides(cart: Cart) -> None:
    cart.offload("A001", "primary", "backup")
    cart.production(backup='holds = "all"', shuttle='holds = "any"')
    assert told(cart.audit(*NAMES), "not-on-drive") == []
    cart.production(backup='holds = "any"', shuttle='holds = "all"')
    ended = cart.audit(*NAMES)
    assert (ended.status, ended.json["verdict"]) == (1, "not complete")
    (lack,) = told(ended, "not-on-drive")
    assert (lack["severity"], lack["drive"]) == ("error", "SHUTTLE")


def test_without_a_production_file_and_without_its_folder_the_command_still_fits(cart: Cart) -> None:
    (cart.work / "production.toml").write_text(
        'name = "The Bell Foundry"\nfirst_day = 2026-05-14\nfolder = "{day}/{roll}"\n', encoding="utf-8"
    )
    cart.offload("A001", "primary", "backup")
    cart.offload("B001", *NAMES, day="2")
    (cart.work / "production.toml").unlink()
    ended = cart.audit("primary", "shuttle")
    (lack,) = told(ended, "not-on-drive")
    assert (lack["severity"], lack["drive"]) == ("note", "SHUTTLE")
    made, _, command = lack["remedy"].partition(" && ")
    assert made.startswith("mkdir -p ")
    Path(shlex.split(made)[2]).mkdir()
    assert pasted(cart, command).status == 0
    assert (cart["shuttle"].mount / "day_001/A001/CLIP").is_dir()


def test_a_handover_of_a_drive_that_lacks_rolls_says_so_and_how_to_fill_it(cart: Cart) -> None:
    cart.offload("A001", *NAMES)
    cart.offload("A002", "primary", "shuttle")
    hand_over = ("handover", cart["backup"].mount, "--to", "post house")
    ended = cart.station.run(*hand_over, "--json", "--production", cart.work / "production.toml")
    assert (ended.status, ended.json["verdict"]) == (0, "proven"), ended.text
    (lack,) = told(ended, "not-on-drive")
    assert (lack["severity"], lack["detail"]) == ("warning", "the drive BACKUP lacks roll A002")
    on_screen = cart.station.run(*hand_over)
    assert "The drive lacks 1 roll." in on_screen.stdout.decode().rstrip().splitlines()[-1]
    assert pasted(cart, lack["remedy"]).status == 0
    assert told(cart.station.run(*hand_over, "--json"), "not-on-drive") == []


def test_a_handover_is_not_in_order_where_the_drive_was_to_hold_everything(cart: Cart) -> None:
    cart.offload("A001", *NAMES)
    cart.offload("A002", "primary", "shuttle")
    cart.production(backup='holds = "all"')
    cart["primary"].unplug()
    cart["shuttle"].unplug()
    ended = cart.station.run("handover", cart["backup"].mount, "--to", "post house", "--json")
    assert (ended.status, ended.json["verdict"]) == (1, "not proven"), ended.text
    (lack,) = told(ended, "not-on-drive")
    assert lack["remedy"].startswith("attach a drive that has a proven copy")


# --- a drive that is away


def errors(ended: Ended) -> list[dict[str, Any]]:
    """The errors, in the order they are told."""
    return [finding for finding in ended.json["findings"] if finding["severity"] == "error"]


@pytest.fixture
def short(cart: Cart) -> Cart:
    """Three rolls on two drives."""
    for roll in ("A001", "A002", "A003"):
        cart.offload(roll, "primary", "backup")
    cart.production(shuttle='holds = "any"')
    return cart


def test_an_empty_mount_folder_is_the_cause_and_comes_first(short: Cart) -> None:
    short["backup"].unplug()
    ended = short.audit("primary", "backup")
    (cause,) = errors(ended)
    assert ended.json["findings"][0] == cause
    assert (ended.status, cause["kind"], cause["drive"], cause["count"]) == (1, "drive-missing", "backup", 3)
    assert "is not attached" in cause["detail"]
    assert "3 rolls have too few copies: A001, A002, A003" in cause["detail"]
    assert {roll["state"] for roll in ended.json["rolls"]} == {"too few copies"}
    assert told(ended, "not-looked-at") == told(ended, "not-on-drive") == []
    short["backup"].plug_in()
    assert errors(short.audit("primary", "backup")) == []


def test_a_mount_folder_that_is_gone_is_known_by_what_was_mounted_there(short: Cart) -> None:
    (short.work / "production.toml").unlink()
    short["backup"].unplug()
    short["backup"].mount.rmdir()
    (cause,) = errors(short.audit("primary", "backup"))
    assert (cause["kind"], cause["drive"], cause["count"]) == ("drive-missing", "backup", 3)
    short["backup"].mount.mkdir()


def test_a_drive_that_nobody_named_is_the_cause_too_and_told_once(short: Cart) -> None:
    ended = short.audit("primary", "shuttle", more=("--against", str(short.work / "production.toml")))
    (cause,) = errors(ended)
    assert (cause["kind"], cause["drive"], cause["count"]) == ("too-few-copies", "backup", 3)
    assert told(ended, "not-looked-at") == []


def test_a_roll_that_would_lack_copies_all_the_same_keeps_its_own_error(short: Cart) -> None:
    short.offload("A004", "primary", "shuttle")
    shutil.rmtree(short["shuttle"].mount / "The Bell Foundry")
    short["backup"].unplug()
    ended = short.audit("primary", "backup", "shuttle")
    assert ("too-few-copies", "A004") in {(each["kind"], each["roll"]) for each in errors(ended)}
    assert errors(ended)[0]["count"] == 3


# --- a clone in the place of a drive


def test_a_clone_in_the_place_of_a_drive_is_called_that_and_is_the_cause(short: Cart) -> None:
    clone = short.clone("primary")
    short["primary"].unplug()
    clone.mount = short["primary"].mount
    clone.plug_in()
    ended = short.audit("primary", "backup")
    (cause,) = errors(ended)
    assert (ended.status, cause["kind"], cause["count"]) == (1, "other-device", 3)
    assert "is a clone of PRIMARY, or PRIMARY in another case" in cause["detail"]
    assert [drive["name"] for drive in ended.json["drives"]] == ["clone of PRIMARY?", "BACKUP"]
    assert told(ended, "not-looked-at") == []
    # the advice: read there, it counts
    assert short.station.run("verify", clone.mount).status == 0
    ended = short.audit("primary", "backup")
    assert (ended.status, errors(ended)) == (0, [])


def test_beside_its_clone_the_original_keeps_its_name(short: Cart) -> None:
    clone = short.clone("primary")
    short["primary"].unplug()
    clone.mount, short["primary"].mount = short["primary"].mount, short.devices.place("elsewhere")
    short["primary"].mount.mkdir()
    clone.plug_in()
    short["primary"].plug_in()
    ended = short.station.run("audit", clone.mount, short["primary"].mount, short["backup"].mount, "--json")
    assert ended.status == 0, ended.text
    assert [drive["name"] for drive in ended.json["drives"]] == ["clone of PRIMARY", "PRIMARY", "BACKUP"]
    (odd,) = told(ended, "other-device")
    assert (odd["severity"], odd["drive"]) == ("warning", "clone of PRIMARY")
    assert f"which is mounted at {short['primary'].mount}" in odd["detail"]
    assert short.station.run("verify", clone.mount).status == 0
    ended = short.station.run("audit", clone.mount, short["primary"].mount, short["backup"].mount, "--json")
    assert [drive["name"] for drive in ended.json["drives"]] == ["clone of PRIMARY", "PRIMARY", "BACKUP"]
    assert [odd["severity"] for odd in told(ended, "other-device")] == ["note"]


def test_many_rolls_are_filled_from_the_folder_that_holds_them(cart: Cart) -> None:
    cart.offload("A001", *NAMES)
    for number in range(2, 11):
        cart.offload(f"A{number:03}", "primary", "backup")
    (lack,) = told(cart.audit(*NAMES), "not-on-drive")
    assert (lack["drive"], lack["count"]) == ("SHUTTLE", 9)
    assert shlex.split(lack["remedy"])[2:] == [
        str(cart["primary"].mount / "The Bell Foundry"), "--to", str(cart["shuttle"].mount)
    ]  # fmt: skip
    filled = pasted(cart, lack["remedy"])
    assert (filled.status, filled.json["verdict"]) == (0, "proven"), filled.text
    assert told(cart.audit(*NAMES), "not-on-drive") == []


def test_a_drive_that_is_mounted_at_another_place_was_looked_at(cart: Cart) -> None:
    cart.offload("A003", *NAMES)
    image = cart["primary"].image
    cart["primary"].unplug()
    elsewhere = Drive(image, cart.devices.place("elsewhere"), "ext4")
    cart.devices.on_exit().callback(elsewhere.give_up)
    elsewhere.plug_in()
    ended = cart.audit(str(elsewhere.mount), "backup", "shuttle", more=("--against", "production.toml"))
    assert told(ended, "not-looked-at") == [], ended.text
    assert ended.json["verdict"] == "complete"


def test_another_drive_at_another_place_is_not_the_one_that_the_file_names(cart: Cart) -> None:
    cart.offload("A003", *NAMES)
    cart["primary"].unplug()
    other = cart.devices.image("ext4", name="elsewhere")
    ended = cart.audit(str(other.mount), "backup", "shuttle", more=("--against", "production.toml"))
    assert ("warning", "primary") in {(each["severity"], each["drive"]) for each in told(ended, "not-looked-at")}
