"""The drive that was not there: its empty mount folder lies on this computer's own disk, and gets no footage."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.devices import Devices, Drive
from support.station import Ended, Station
from workflows.station import CLIPS, fill

pytestmark = pytest.mark.device

BOTH = (("primary", "primary"), ("backup", "backup"))


class Cart:
    """A card, two drives, a spare one, and the command with a production file."""

    def __init__(self, devices: Devices, folder: Path) -> None:
        self.devices = devices
        self.card = devices.image("ext4", name="A003")
        self.primary = devices.image("ext4", name="primary", make_options=("-L", "PRIMARY"))
        self.backup = devices.image("ext4", name="backup", make_options=("-L", "BACKUP"))
        fill(self.card.mount, CLIPS)
        self.work = folder / "work"
        self.work.mkdir()
        self.station = Station(folder / "home", self.work)

    def production(self, more: str = "") -> None:
        """The two drives by their paths alone, as people write it first."""
        drives = "".join(
            f'[[drives]]\nrole = "{role}"\npath = "{self.devices.folder / mount}"\n{more}' for role, mount in BOTH
        )
        (self.work / "production.toml").write_text(f'name = "The Bell Foundry"\nfolder = "{{roll}}"\n{drives}')

    def offload(self, *words: Any) -> Ended:
        """One run for the card."""
        return self.station.run("offload", self.card.mount, "--roll", "A003", *words, "--json")


@pytest.fixture
def cart(devices: Devices, tmp_path: Path) -> Cart:
    return Cart(devices, tmp_path)


def kinds(ended: Ended, severity: str) -> set[tuple[str, str]]:
    """(kind, drive) of the findings of a severity, wherever they stand."""
    (roll,) = ended.json["rolls"]
    every = [*ended.json["findings"], *roll["findings"]]
    return {(each["kind"], each.get("drive", "")) for each in every if each["severity"] == severity}


def holds_nothing(drive: Drive) -> bool:
    """Whether the empty folder of a drive that is away is still empty."""
    return not list(drive.mount.iterdir())


@pytest.mark.parametrize("away", [("backup",), ("primary", "backup")], ids=["one", "both"])
def test_an_unmounted_drive_of_the_production_file_is_refused_and_nothing_is_written(
    cart: Cart, away: tuple[str, ...]
) -> None:
    cart.production()
    for name in away:
        getattr(cart, name).unplug()
    ended = cart.offload()
    assert ended.status == 3, ended.text
    assert {("system-disk", name) for name in away} <= kinds(ended, "error")
    assert all(holds_nothing(getattr(cart, name)) for name in away)
    assert not (cart.primary.mount / "A003").exists()


def test_the_same_destination_on_the_command_line_is_refused_too(cart: Cart) -> None:
    cart.production()
    cart.backup.unplug()
    ended = cart.offload("--to", cart.primary.mount, "--to", cart.backup.mount)
    assert (ended.status, kinds(ended, "error")) == (3, {("system-disk", "backup")}), ended.text
    assert holds_nothing(cart.backup)


@contextlib.contextmanager
def below(root: str) -> Iterator[Path]:
    """An empty folder below a usual mount root of this computer."""
    folder = Path(tempfile.mkdtemp(prefix="bell-foundry-", dir=root))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def test_an_empty_folder_below_a_usual_mount_root_is_refused(cart: Cart) -> None:
    with below("/mnt") as folder:
        ended = cart.offload("--to", cart.primary.mount, "--to", folder)
        assert (ended.status, {kind for kind, _ in kinds(ended, "error")}) == (3, {"system-disk"}), ended.text
        assert not list(folder.iterdir())
        link = cart.work / "by another name"
        link.symlink_to(folder)
        assert cart.offload("--to", link).status == 3
        assert not list(folder.iterdir())


def test_a_path_where_a_drive_was_seen_is_not_taken_for_it_when_the_drive_is_away(cart: Cart) -> None:
    to = ("--to", cart.primary.mount, "--to", cart.backup.mount)
    assert cart.offload(*to).status == 0
    cart.backup.unplug()
    fill(cart.card.mount, {"CLIP/A003C004_260514.mov": 40_000})
    ended = cart.offload(*to)
    assert (ended.status, kinds(ended, "error")) == (3, {("system-disk", "backup")}), ended.text
    assert holds_nothing(cart.backup)


def test_a_first_run_that_was_killed_has_already_remembered_where_its_drives_were(cart: Cart) -> None:
    to = ("--to", cart.primary.mount, "--to", cart.backup.mount)
    started = cart.primary.mount / "A003"
    words = ("offload", cart.card.mount, "--roll", "A003", *to)
    assert cart.station.run_and_kill(0.0, *words, since=started.exists).killed
    cart.primary.unplug()
    assert cart.offload(*to).status == 3
    assert holds_nothing(cart.primary)


@pytest.mark.parametrize("said", ["on the command line", "in the production file"])
def test_the_system_disk_is_taken_when_it_is_meant_and_named_in_a_warning(cart: Cart, said: str) -> None:
    in_file = said == "in the production file"
    cart.production("system_disk = true\n" if in_file else "")
    cart.backup.unplug()
    ended = cart.offload(*(() if in_file else ("--system-disk",)))
    assert ended.status == 0, ended.text
    assert ("system-disk", "backup") in kinds(ended, "warning")
    assert ("system-disk", "primary") not in kinds(ended, "warning")
    assert ended.json["verdict"] == "proven"


def test_memory_that_is_mounted_as_a_drive_is_not_the_system_disk(cart: Cart) -> None:
    memory = cart.devices.tmpfs(64 << 20)
    (cart.work / "production.toml").write_text(
        f'name = "The Bell Foundry"\nfolder = "{{roll}}"\n[[drives]]\nrole = "quick"\npath = "{memory}"\n'
    )
    ended = cart.offload()
    assert not {kind for kind, _ in kinds(ended, "warning") | kinds(ended, "error")} & {"system-disk"}
    assert (memory / "A003" / "NOTES.TXT").exists()


def test_another_drive_in_the_place_of_a_role_is_announced_by_both_names(cart: Cart) -> None:
    cart.production()
    assert cart.offload().status == 0
    cart.backup.unplug()
    other = cart.devices.image("ext4", name="backup", make_options=("-L", "SHUTTLE_2"))
    ended = cart.offload()
    assert ended.status == 0, ended.text
    (told,) = [each for each in ended.json["rolls"][0]["findings"] if each["kind"] == "other-drive"]
    assert (told["severity"], told["drive"]) == ("warning", "backup")
    assert "BACKUP" in told["detail"]
    assert "SHUTTLE_2" in told["detail"]
    assert (other.mount / "A003").exists()
    assert not [each for each in cart.offload().json["rolls"][0]["findings"] if each["kind"] == "other-drive"]


def test_the_stations_own_files_on_a_destination_are_a_warning(cart: Cart) -> None:
    station = Station(cart.backup.mount / "station", cart.work)
    words = ("--to", cart.primary.mount, "--to", cart.backup.mount, "--roll", "A003", "--json")
    ended = station.run("offload", cart.card.mount, *words)
    assert ended.status == 0, ended.text
    assert ("station-on-drive", "backup") in kinds(ended, "warning")
