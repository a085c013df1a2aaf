"""`rollproof drives` and `rollproof init`: what they print, and once through the real workflows."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.running import run_line
from rollproof.models.errors import UsageProblem
from rollproof.workflows.drives import DriveOut, DrivesResult, MissingDrive


def a_drive(**changes: Any) -> DriveOut:
    base = DriveOut(
        mount_point="/mnt/primary",
        label="BELL_1",
        file_system="ext4",
        volume="aa5bbe43",
        device="disk /dev/sdb",
        device_key="disk:1",
        serial="S1",
        kind="disk",
        capacity_bytes=2_000_000_000_000,
        free_bytes=1_800_000_000_000,
        read_only=False,
        readback="medium",
        readback_words="a read-back reaches the medium (direct reads)",
        role="primary",
    )
    return base.model_copy(update=changes)


def shows(*drives: DriveOut, missing: tuple[MissingDrive, ...] = ()) -> str:
    result = DrivesResult(drives=list(drives), missing=list(missing))
    ran = run_line("drives", attached_drives=lambda *_arguments, **_options: result)
    assert ran.status == 0
    return ran.out


def test_drives_are_one_table_and_cards_stand_apart() -> None:
    card = a_drive(mount_point="/media/A003", role=None, label="A003", device="reader /dev/sdd", card=True)
    away = a_drive(mount_point="/mnt/backup", role="backup", device="disk /dev/sdc", free_bytes=900_000_000)
    assert shows(a_drive(), card, away).splitlines() == [
        "Drives",
        "  /mnt/primary  primary    1.8 TB free of   2.0 TB  disk /dev/sdb",
        "  /mnt/backup   backup   900.0 MB free of   2.0 TB  disk /dev/sdc",
        "",
        "Cards, by what lies on them",
        "  /media/A003   A003    1.8 TB free of   2.0 TB  reader /dev/sdd",
    ]


def test_identities_are_shown_when_all_is_asked_for() -> None:
    result = DrivesResult(drives=[a_drive()], missing=[])
    ran = run_line("drives", "--all", attached_drives=lambda *_arguments, **_options: result)
    assert '    ext4, named "BELL_1", volume aa5bbe43, serial S1' in ran.out.splitlines()


def test_what_makes_two_volumes_one_copy_is_said() -> None:
    out = shows(a_drive(same_device_as=["/mnt/backup"]))
    assert "on the same device as /mnt/backup: together they count as one copy" in out
    assert "could not be told" in shows(a_drive(device_key=None))


def test_a_drive_that_does_not_answer_and_one_that_cannot_be_written_say_so() -> None:
    assert "    does not answer; unplug it and plug it in again" in shows(a_drive(capacity_bytes=0))
    assert "    read-only" in shows(a_drive(read_only=True)).splitlines()


def test_drives_of_the_production_that_are_not_there_are_named() -> None:
    missing = MissingDrive(role="shuttle", path="/mnt/shuttle", volume="bb7")
    assert shows(missing=(missing,)).splitlines() == [
        "No drive is attached.",
        "",
        "Not attached",
        "  shuttle   /mnt/shuttle, volume bb7",
    ]


def test_drives_as_json_is_the_result_and_nothing_else() -> None:
    result = DrivesResult(drives=[a_drive()], missing=[])
    ran = run_line("drives", "--json", attached_drives=lambda *_arguments, **_options: result)
    assert json.loads(ran.out) == result.as_json()
    assert ran.err == ""


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
@pytest.mark.parametrize("terminal", [True, False])
def test_no_name_of_a_drive_can_act_on_the_terminal(name: str, terminal: bool) -> None:
    drive = a_drive(
        mount_point=name, label=name, volume=name, device=name, serial=name, role=name, file_system=name,
        readback_words=name, same_device_as=[name],
    )  # fmt: skip
    missing = MissingDrive(role=name, path=name, volume=name)
    result = DrivesResult(drives=[drive], missing=[missing])
    ran = run_line("drives", attached_drives=lambda *_arguments, **_options: result, terminal=terminal)
    assert alive(ran.out, terminal=terminal) == []


def test_drives_of_this_machine_are_listed_with_the_roles_of_a_production_file(tmp_path: Path) -> None:
    file = tmp_path / "bell.toml"
    file.write_text('name = "The Bell Foundry"\n[[drives]]\nrole = "shuttle"\nvolume = "no-such-volume"\n')
    ran = run_line("drives", "--json", "--all", "--production", str(file))
    assert ran.status == 0, ran.err
    answer = json.loads(ran.out)
    assert answer["missing"] == [{"role": "shuttle", "path": None, "volume": "no-such-volume"}]
    assert answer["drives"]


def test_a_production_file_that_is_not_there_is_wrong_usage(tmp_path: Path) -> None:
    ran = run_line("drives", "--production", str(tmp_path / "none.toml"))
    assert ran.status == 2
    assert "there is no production file" in ran.err


@pytest.fixture
def nothing_attached(monkeypatch: pytest.MonkeyPatch) -> None:
    """No drive beside the computer's own disk, whatever other tests have plugged in."""
    monkeypatch.setattr("rollproof.workflows.init.attached_drives", lambda drives: [])


@pytest.mark.usefixtures("nothing_attached")
def test_init_writes_a_file_that_the_other_commands_understand(tmp_path: Path) -> None:
    folder = tmp_path / "bell"
    folder.mkdir()
    ran = run_line("init", "--name", "The Bell Foundry", str(folder))
    assert ran.status == 0, ran.err
    assert ran.out.startswith(f"Written: {folder}/production.toml\n")
    assert "The Bell Foundry" in (folder / "production.toml").read_text()
    assert run_line("drives", "--production", str(folder / "production.toml")).status == 0


@pytest.mark.usefixtures("nothing_attached")
def test_init_never_touches_a_file_that_is_there(tmp_path: Path) -> None:
    (tmp_path / "production.toml").write_text("mine")
    ran = run_line("init", str(tmp_path), "--json")
    assert ran.status == 3
    answer = json.loads(ran.out)
    assert answer["path"] is None
    assert answer["error"]["id"] == "refused"
    assert "there is already" in ran.err
    assert (tmp_path / "production.toml").read_text() == "mine"


def test_init_tells_what_is_wrong_in_words(tmp_path: Path) -> None:
    ran = run_line("init", str(tmp_path / "nowhere"))
    assert ran.status == int(UsageProblem.status)
    assert "there is no folder" in ran.err
