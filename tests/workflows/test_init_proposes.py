"""`init` on real devices: which drives are proposed, and what is printed where there is a production file."""

from __future__ import annotations

from pathlib import Path

import pytest

from rollproof.production.load import load
from support.devices import Devices, Drive
from support.station import Station
from workflows.station import CLIPS, fill

pytestmark = pytest.mark.device


@pytest.fixture
def station(tmp_path: Path) -> Station:
    (tmp_path / "work").mkdir()
    return Station(tmp_path / "home", tmp_path / "work")


def named(station: Station, *drives: Drive) -> list[tuple[str, ...]]:
    """(path, volumes) of the proposals for these drives: other tests may have drives of their own attached."""
    loaded = load(bytes(station.folder / "production.toml"))
    tops = {str(drive.mount) for drive in drives}
    return [(drive.path or "", *drive.volume) for drive in loaded.drives if drive.path in tops]


def test_drives_are_proposed_and_no_card_and_nothing_that_is_read_only(devices: Devices, station: Station) -> None:
    new = devices.image("ext4", name="PRIMARY", make_options=("-U", "1a0f2c3d-0000-4000-8000-000000000001"))
    used = devices.image("ext4", name="BACKUP", make_options=("-U", "1a0f2c3d-0000-4000-8000-000000000002"))
    card = devices.image("ext4", name="A003")
    locked = devices.image("ext4", name="LOCKED")
    fill(card.mount, {"XDROOT/Clip/A003C001.mxf": 50_000})
    sound = devices.image("ext4", name="SOUND")
    fill(sound.mount, {"S12T01.wav": 9_000})
    source = devices.image("ext4", name="SOURCE")
    fill(source.mount, CLIPS)
    # what lies at the top of a used drive is a roll whose own folders are those of a card
    fill(source.mount, {"A003R1AB/A003C001.mov": 9_000})
    done = station.run("offload", source.mount, "--roll", "A003R1AB", "--to", used.mount)
    assert (used.mount / "A003R1AB" / "rollproof").exists(), done.text
    locked.replug(read_only=True)
    assert station.run("init", "--name", "The Bell Foundry").status == 0
    assert sorted(named(station, new, used, card, locked, sound)) == [
        (str(used.mount), "1a0f2c3d-0000-4000-8000-000000000002"),
        (str(new.mount), "1a0f2c3d-0000-4000-8000-000000000001"),
    ]
    loaded = load(bytes(station.folder / "production.toml"))
    assert not [drive for drive in loaded.drives if drive.path == "/"]
    answer = station.run("offload", source.mount, "--dry-run", "--roll", "A004", "--json").json
    assert answer["rolls"], "the file works as it is"


def test_where_there_is_a_file_the_drives_that_it_does_not_name_are_printed(devices: Devices, station: Station) -> None:
    one = devices.image("ext4", name="PRIMARY", make_options=("-U", "1a0f2c3d-0000-4000-8000-000000000003"))
    two = devices.image("ext4", name="SHUTTLE", make_options=("-U", "1a0f2c3d-0000-4000-8000-000000000004"))
    file = station.folder / "production.toml"
    text = f'name = "The Bell Foundry"\n[[drives]]\nrole = "drive 1"\npath = "{one.mount}"\n'
    file.write_text(text)
    ended = station.run("init", "--json")
    assert ended.status == 0, ended.text
    assert ended.json["path"] is None
    blocks = ended.json["drives"]
    assert str(two.mount) in blocks
    assert "1a0f2c3d-0000-4000-8000-000000000003" not in blocks
    assert file.read_text() == text
    file.write_text(text + "\n" + blocks)
    assert named(station, one, two) == [(str(one.mount),), (str(two.mount), "1a0f2c3d-0000-4000-8000-000000000004")]
    shown = station.run("init").text
    assert str(one.mount) not in shown
    assert str(two.mount) not in shown
