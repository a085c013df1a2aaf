"""`rollproof drives`: volumes with their roles, and the production's drives that are not there."""

from __future__ import annotations

from pathlib import Path

from drives.fake_machine import MIB, Machine
from rollproof.workflows.drives import list_drives


def machine_with_two(tmp_path: Path) -> Machine:
    machine = Machine(tmp_path)
    machine.disk(
        "sda", "8:0", attributes={"device/wwid": "naa.5000c500a1b2c3d4"}, partitions={"sda1": "8:1", "sda2": "8:2"}
    )
    machine.disk("sdb", "8:16", attributes={"device/wwid": "naa.5000c500ffffffff"}, partitions={"sdb1": "8:17"})
    machine.mount("/media/one", "8:1", "ext4", "/dev/sda1")
    machine.mount("/media/two", "8:2", "zfs", "/dev/sda2")
    machine.mount("/media/three", "8:17", "exfat", "/dev/sdb1", options="ro")
    machine.written["/dev/sda1"] = {"UUID": "11111111-aaaa-4333-8444-555555555555", "LABEL": "BELL_1"}
    machine.written["/dev/sdb1"] = {"UUID": "AB12-CD34", "LABEL": "BELL_2"}
    return machine


def test_each_volume_shows_what_a_person_asks_of_it(tmp_path: Path) -> None:
    found = {drive.mount_point: drive for drive in list_drives(machine_with_two(tmp_path).drives()).drives}
    one, two, three = found["/media/one"], found["/media/two"], found["/media/three"]
    assert (one.label, one.file_system, one.volume) == ("BELL_1", "ext4", "11111111-aaaa-4333-8444-555555555555")
    assert (one.capacity_bytes, one.free_bytes, one.read_only) == (1000 * MIB, 400 * MIB, False)
    assert (one.readback, two.readback, three.readback) == ("medium", "cache", "medium")
    assert "unplug" in two.readback_words
    assert (one.same_device_as, two.same_device_as, three.same_device_as) == (["/media/two"], ["/media/one"], [])
    assert three.read_only
    assert {drive.role for drive in found.values()} == {None}


def test_a_role_goes_by_identity_and_a_drive_that_is_away_is_missing(tmp_path: Path) -> None:
    result = list_drives(
        machine_with_two(tmp_path).drives(),
        [
            ("primary", None, ("ab12-cd34",), False),
            ("backup", b"/media/one", ("FFFF-0000",), False),
            ("archive", b"/nowhere", (), False),
        ],
    )
    assert {drive.mount_point: drive.role for drive in result.drives if drive.role} == {"/media/three": "primary"}
    assert [(drive.role, drive.path, drive.volume) for drive in result.missing] == [
        ("backup", "/media/one", "FFFF-0000"),
        ("archive", "/nowhere", None),
    ]


def test_the_result_is_one_json_object(tmp_path: Path) -> None:
    machine = machine_with_two(tmp_path)
    machine.mount("/media/odd\\377", "8:18", "exfat", "/dev/sdb1")  # the kernel escapes it so or leaves the byte
    machine.disk("sdc", "8:18", bus="pci0000:00/c")
    (odd,) = [drive for drive in list_drives(machine.drives()).as_json()["drives"] if drive["mount_point_b64"]]
    assert odd["mount_point"] == "/media/odd\\xff"
    assert odd["mount_point_b64"] == "L21lZGlhL29kZP8="
