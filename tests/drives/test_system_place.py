"""Which volume is the computer's own, told on machines that are data."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from drives.fake_machine import Machine
from rollproof.drives.system_place import (
    is_at_or_below,
    is_one_of,
    mount_roots,
    own_volumes,
    system_folders,
    system_volumes,
)
from rollproof.models.volumes import Volume

ROOT, HOME, DRIVE = "11111111-0000-4000-8000-000000000001", "11111111-0000-4000-8000-000000000002", "1A2B-3C4D"


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    made = Machine(tmp_path)
    made.disk("sda", "8:0", attributes={"device/wwid": "naa.1"}, partitions={"sda1": "8:1", "sda2": "8:2"})
    made.disk("sdb", "8:16", attributes={"device/wwid": "naa.2"}, partitions={"sdb1": "8:17"})
    made.disk("loop0", "7:0")
    made.write("sys/devices/pci0000:00/ata1/block/loop0/loop/backing_file", "/var/images/primary.img\n")
    for node, number in (("sda1", ROOT), ("sda2", HOME), ("sdb1", DRIVE), ("loop0", "FFFF-0001")):
        made.written[f"/dev/{node}"] = {"UUID": number, "TYPE": "ext4"}
    made.mount("/", "8:1", "ext4", "/dev/sda1")
    made.mount("/home", "8:2", "ext4", "/dev/sda2")
    made.mount("/media/PRIMARY", "8:17", "exfat", "/dev/sdb1")
    made.mount("/mnt/image", "7:0", "ext4", "/dev/loop0")
    made.mount("/mnt/memory", "0:50", "tmpfs", "tmpfs")
    made.mount("/run", "0:20", "tmpfs", "tmpfs")
    made.mount("/mnt/part of root", "8:1", "ext4", "/dev/sda1", root="/srv")
    return made


NUMBERS = {b"/": 1, b"/home": 2, b"/run": 3}


def computers_own(machine: Machine) -> list[Volume]:
    drives = machine.drives()
    found = system_volumes(drives, [b"/", b"/home", b"/run"], number_of=NUMBERS.__getitem__)
    return [replace(volume, st_dev=number) for volume, number in zip(found, (1, 2, 3), strict=True)]


@pytest.mark.parametrize(
    ("path", "is_own"),
    [
        (b"/srv/footage", True),
        (b"/home/data wrangler/footage", True),
        (b"/mnt/part of root/footage", True),
        (b"/media/BACKUP", True),
        (b"/media/PRIMARY/The Bell Foundry", False),
        (b"/mnt/image", False),
    ],
)
def test_a_folder_lies_on_the_computers_own_volumes_or_on_a_drive(machine: Machine, path: bytes, is_own: bool) -> None:
    assert is_one_of(machine.drives().volume_of(path), computers_own(machine)) is is_own


def test_memory_is_the_systems_where_the_system_has_it_and_a_drive_where_it_is_mounted_as_one(machine: Machine) -> None:
    own = computers_own(machine)
    left_behind = replace(machine.drives().volume_of(b"/run/media/data wrangler/PRIMARY"), st_dev=3)
    mounted = replace(machine.drives().volume_of(b"/mnt/memory"), st_dev=4)
    assert is_one_of(left_behind, own)
    assert not is_one_of(mounted, own)


def test_memory_that_holds_the_folders_of_drives_is_the_systems_and_a_drive_mounted_there_is_not(
    machine: Machine,
) -> None:
    machine.mount("/media", "0:51", "tmpfs", "tmpfs")
    machine.mount("/mnt", "8:17", "exfat", "/dev/sdb1")
    numbers = {b"/": 1, b"/home": 2, b"/media": 5, b"/mnt": 6}

    def number_of(path: bytes) -> int:
        if path not in numbers:
            raise FileNotFoundError(2, "nothing there")
        return numbers[path]

    drives = machine.drives()
    drives._calls = replace(drives._calls, device_number=number_of)
    found = own_volumes(drives, number_of)
    assert [volume.mount_point for volume in found] == [b"/", b"/home", b"/media"]


def test_each_volume_is_asked_about_once_and_a_folder_that_is_not_there_is_passed_over(machine: Machine) -> None:
    drives = machine.drives()

    def number_of(path: bytes) -> int:
        if path == b"/nowhere":
            raise FileNotFoundError(2, "nothing there")
        return 1

    found = system_volumes(drives, [b"/", b"/usr", b"/nowhere", b"/var"], number_of=number_of)
    assert [volume.mount_point for volume in found] == [b"/"]


def test_every_operating_system_has_its_folders() -> None:
    assert b"/media" in mount_roots("linux")
    assert b"/run/media" in mount_roots("linux")
    assert mount_roots("macos") == (b"/Volumes",)
    assert mount_roots("windows") == ()
    assert b"/" in system_folders("linux", {})
    assert b"/System/Volumes/Data" in system_folders("macos", {})
    assert os.fsencode(os.path.expanduser("~")) in system_folders("linux", {})
    assert system_folders("windows", {"SystemDrive": "D:"})[0] == b"D:\\"
    root_home = os.fsencode(os.path.expanduser("~root"))
    assert root_home in system_folders("linux", {"SUDO_USER": "root"})


def test_a_path_below_a_folder_is_told_by_where_it_leads_too(tmp_path: Path) -> None:
    (tmp_path / "media" / "PRIMARY").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "media" / "PRIMARY")
    (tmp_path / "media" / "out").symlink_to(tmp_path)
    roots = [os.fsencode(tmp_path / "media")]
    for path, below in (("media", True), ("media/PRIMARY", True), ("link", True), ("media/out", True), ("med", False)):
        assert is_at_or_below(os.fsencode(tmp_path / path), roots) is below
