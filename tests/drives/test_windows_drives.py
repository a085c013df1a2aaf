"""`WindowsDrives` on a Windows of our own making: a volume in memory, and the answer of PowerShell as data."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from rollproof.drives.interface import Drives
from rollproof.drives.windows import WindowsDrives
from rollproof.drives.windows_answers import Machine as Machine_
from rollproof.models.volumes import MediumWay
from rollproof.proof.devices import share_a_device
from rollproof.storage import windows_calls as win
from rollproof.storage.windows import WindowsIo
from storage.fake_win32 import VOLUME, FakeWin32, Node

GB = 1_000_000_000
OTHER = "\\\\?\\Volume{b0e11f0d-0000-4000-8000-000000000002}"
HIDDEN = "\\\\?\\Volume{b0e11f0d-0000-4000-8000-000000000003}"
HOST = "\\\\?\\Volume{b0e11f0d-0000-4000-8000-000000000004}"
EFI = "{c12a7328-f81f-11d2-ba4b-00a0c93ec93b}"
DATA = "{ebd0a0a2-b9e5-4433-87c0-68b6b72699c7}"


def disk(number: int, **more: Any) -> dict[str, Any]:
    return {
        "Number": number,
        "FriendlyName": "Shuttle Drive",
        "Model": "Shuttle",
        "SerialNumber": "  B3LL-0042 ",
        "UniqueId": "USBSTOR\\DISK",
        "UniqueIdFormat": 0,
        "Size": 500 * GB,
        "Bus": 7,
        "Guid": "{AAAAAAAA-0000-0000-0000-000000000001}",
        "Signature": None,
        **more,
    }


def part(disk_number: int, number: int, *paths: str, gpt: str | None = DATA) -> dict[str, Any]:
    return {
        "DiskNumber": disk_number,
        "PartitionNumber": number,
        "Size": GB,
        "GptType": gpt,
        "AccessPaths": list(paths) or None,
    }


def answer() -> dict[str, Any]:
    return {
        "boots": 412,
        "machine": "F00DF00D-0000-4000-8000-00000000BE11",
        "volumes": [
            {"DeviceID": f"{VOLUME}\\", "Name": "D:\\", "Label": "BELLS", "FileSystem": "exFAT", "BlockSize": 131_072}
            | {"DriveType": 2},
            {
                "DeviceID": f"{OTHER}\\",
                "Name": "D:\\mnt\\inner\\",
                "Label": "INNER",
                "FileSystem": "NTFS",
                "DriveType": 3,
            },
            {"DeviceID": f"{HIDDEN}\\", "Name": f"{HIDDEN}\\", "Label": "SYS", "FileSystem": "FAT32", "DriveType": 3},
        ],
        "partitions": [
            part(1, 1, gpt=EFI),
            part(1, 2, "D:\\", f"{VOLUME}\\"),
            part(1, 3, "D:\\mnt\\inner\\", f"{OTHER}\\"),
            part(1, 4),
            part(0, 1, f"{HIDDEN}\\", gpt=EFI),
        ],
        "disks": [disk(0, Bus=17), disk(1)],
        "media": [{"DeviceId": "0", "Media": 4}, {"DeviceId": "1", "Media": 3}],
    }


@dataclass
class Machine:
    """A Windows computer: one volume in memory, and what PowerShell says."""

    windows: FakeWin32 = field(default_factory=FakeWin32)
    answer: Any = field(default_factory=answer)
    asked: list[tuple[str, ...]] = field(default_factory=list)

    def run(self, arguments: Sequence[str]) -> bytes:
        self.asked.append(tuple(arguments))
        return self.answer if isinstance(self.answer, bytes) else json.dumps(self.answer).encode()

    @property
    def drives(self) -> Drives:
        return WindowsDrives(self.windows, self.run)


@pytest.fixture
def machine() -> Machine:
    made = Machine()
    made.windows.plant("CLIPS/A003C001.MOV", Node(data=bytearray(b"x")))
    made.windows.plant("mnt/inner", Node(attributes=win.ATTRIBUTE_DIRECTORY))
    return made


def test_a_card_is_told_by_its_volume_and_its_disk(machine: Machine) -> None:
    found = machine.drives.volume_of(b"D:/CLIPS")
    assert found.mount_point == b"D:\\"
    assert not found.is_mount_root
    assert machine.drives.volume_of(b"D:\\").is_mount_root
    assert (found.source, found.file_system, found.label) == (VOLUME, "exfat", "BELLS")
    assert (found.capacity_bytes, found.free_bytes, found.read_only) == (1 << 40, 1 << 30, False)
    assert found.serial == "5678-9ABC", "as other systems write the serial number of exFAT"
    assert found.way is MediumWay.WINDOWS_UNBUFFERED
    assert (found.limits.allocation_bytes, found.limits.folds_case) == (131_072, True)
    assert "CON" in found.limits.reserved_names
    assert found.device.node == "\\\\.\\PhysicalDrive1"
    assert (found.device.model, found.device.serial, found.device.size_bytes) == ("Shuttle", "B3LL-0042", 500 * GB)
    assert (found.device.rotational, found.device.disk_sequence) == (True, None)


def test_a_path_through_a_link_is_found_where_it_really_lies(machine: Machine) -> None:
    clips = machine.windows.node_at("CLIPS")
    machine.windows.plant("link", Node(attributes=win.ATTRIBUTE_DIRECTORY, tag=win.TAG_MOUNT_POINT, target=clips))
    assert machine.drives.volume_of(b"D:\\link").mount_point == b"D:\\"


def test_files_and_volumes_speak_of_the_same_device_number(machine: Machine) -> None:
    io = WindowsIo(machine.windows)
    assert machine.drives.volume_of(b"D:\\CLIPS").st_dev == io.fstat(io.open_root(b"D:\\CLIPS")).device


def test_ntfs_is_known_by_its_long_serial_number(machine: Machine) -> None:
    machine.windows.file_system = "NTFS"
    assert machine.drives.volume_of(b"D:\\").serial == "0000123456789ABC"


def test_a_write_protected_card_is_read_only(machine: Machine) -> None:
    machine.windows.read_only = True
    assert machine.drives.volume_of(b"D:\\").read_only


def test_nothing_is_opened_for_writing_and_nothing_stays_open(machine: Machine) -> None:
    card = machine.drives.volume_of(b"D:\\CLIPS")
    machine.drives.volumes(everything=True)
    machine.drives.medium_now(card)
    machine.drives.mounts_below(b"D:\\")
    accesses = {entry[2] for entry in machine.windows.log if entry[0] == "CreateFileW"}
    assert accesses == {win.FILE_READ_ATTRIBUTES}
    assert machine.windows.handles == {}


def test_the_question_is_put_to_the_systems_own_powershell(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SYSTEMROOT", "C:\\Windows")
    machine.drives.volume_of(b"D:\\")
    ((program, *options),) = machine.asked
    assert program == "C:\\Windows\\System32\\WindowsPowerShell\\v1.0\\powershell.exe"
    assert "-NoProfile" in options
    question = base64.b64decode(options[-1]).decode("utf-16-le")
    assert "Get-Partition" in question
    assert "LastBootUpTime" not in question, "a time moves when somebody sets the clock"


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({}, "disk:Shuttle:B3LL-0042:500000000000:aaaaaaaa-0000-0000-0000-000000000001"),
        ({"SerialNumber": None}, "disk:Shuttle::500000000000:aaaaaaaa-0000-0000-0000-000000000001"),
        ({"SerialNumber": "0000000000000000"}, "disk:Shuttle::500000000000:aaaaaaaa-0000-0000-0000-000000000001"),
        ({"Guid": None, "Signature": 0xBE11}, "disk:Shuttle:B3LL-0042:500000000000:0000be11"),
        ({"Guid": None, "SerialNumber": ""}, None),
        ({"Bus": 17, "UniqueIdFormat": 2, "UniqueId": "eui.0025385B71B1AAAA"}, "eui:eui.0025385b71b1aaaa"),
        ({"Bus": 11, "UniqueIdFormat": 3, "UniqueId": "5000C500A1B2C3D4"}, "naa:5000c500a1b2c3d4"),
    ],
)
def test_a_disk_is_known_by_its_own_name_or_by_what_it_and_its_bridge_say(
    machine: Machine, change: dict[str, Any], key: str | None
) -> None:
    machine.answer["disks"][1] |= change
    assert machine.drives.volume_of(b"D:\\").device.key == key


def test_the_name_that_a_usb_bridge_gives_is_not_the_disks_own(machine: Machine) -> None:
    machine.answer["disks"][1] |= {"UniqueIdFormat": 3, "UniqueId": "5000C500A1B2C3D4"}
    key = machine.drives.volume_of(b"D:\\").device.key
    assert key is not None
    assert key.startswith("disk:")


@pytest.mark.parametrize("change", [{"Bus": 16}, {"Bus": 14}, {"Bus": None}, {"Bus": 0}, {"Number": 9}])
def test_pools_and_disks_that_are_not_told_are_unknown(machine: Machine, change: dict[str, Any]) -> None:
    machine.answer["disks"][1] |= change
    found = machine.drives.volume_of(b"D:\\")
    assert found.device.key is None
    assert share_a_device(found.device, found.device) is None


def test_a_volume_on_several_partitions_is_an_unknown_device(machine: Machine) -> None:
    machine.answer["partitions"].append(part(0, 5, f"{VOLUME}\\"))
    found = machine.drives.volume_of(b"D:\\")
    assert found.device.key is None
    assert machine.drives.other_partitions(found) is None


def test_a_disk_behind_a_network_is_answered_by_a_server(machine: Machine) -> None:
    machine.answer["disks"][1] |= {"Bus": 9}
    found = machine.drives.volume_of(b"D:\\")
    assert (found.device.kind, found.way) == ("network", MediumWay.SERVER)


def test_a_virtual_disk_names_the_disk_beneath_and_its_reads_prove_nothing(machine: Machine) -> None:
    machine.answer["disks"][1] |= {"Bus": 15, "Location": "D:\\CLIPS\\A003C001.MOV"}
    found = machine.drives.volume_of(b"D:\\")
    assert (found.device.kind, found.device.beneath, found.way) == ("loop", None, MediumWay.NONE)
    assert found.device.label.startswith("disk image A003C001.MOV on ")
    assert found.device.key is None


def test_a_share_is_a_network_volume(machine: Machine) -> None:
    machine.windows.has_volume_identity = False
    machine.windows.file_system = "NTFS"
    found = machine.drives.volume_of(b"\\\\server\\share\\CLIPS")
    assert (found.file_system, found.source, found.mount_point) == ("cifs", "\\\\server\\share", b"\\\\server\\share\\")
    assert (found.device.kind, found.device.key, found.way) == ("network", None, MediumWay.SERVER)
    assert machine.drives.other_partitions(found) is None


def test_the_list_holds_volumes_with_a_letter_or_a_folder(machine: Machine) -> None:
    assert [found.mount_point for found in machine.drives.volumes()] == [b"D:\\"]
    everything = machine.drives.volumes(everything=True)
    assert [found.mount_point for found in everything] == [b"D:\\", b"D:\\mnt\\inner\\", f"{HIDDEN}\\".encode()]
    assert [found.capacity_bytes for found in everything] == [1 << 40, 0, 0], "two do not answer"


def test_the_other_partitions_of_a_card_are_told_mounted_or_not(machine: Machine) -> None:
    found = machine.drives.other_partitions(machine.drives.volume_of(b"D:\\"))
    assert found is not None
    assert [(one.number, one.file_system, one.is_system) for one in found] == [
        (1, None, True),
        (3, "ntfs", False),
        (4, None, False),
    ]
    assert [one.mount_points for one in found] == [(), (b"D:\\mnt\\inner\\",), ()]
    assert found[1].label == "INNER"


@pytest.mark.parametrize("bus", [None, 16])
def test_partitions_of_a_pool_are_unknown(machine: Machine, bus: int | None) -> None:
    card = machine.drives.volume_of(b"D:\\")
    machine.answer["disks"][1]["Bus"] = bus
    assert machine.drives.other_partitions(card) is None


def test_volumes_mounted_in_a_folder_are_found_below_it_only(machine: Machine) -> None:
    assert machine.drives.mounts_below(b"D:\\") == [b"D:\\mnt\\inner"]
    assert machine.drives.mounts_below(b"D:\\mnt") == [b"D:\\mnt\\inner"]
    assert machine.drives.mounts_below(b"D:\\mnt\\inner") == []
    assert machine.drives.mounts_below(b"D:\\CLIPS") == []


def test_the_boot_is_the_systems_count_made_this_machines_own(machine: Machine) -> None:
    card = machine.drives.volume_of(b"D:\\")
    assert card.boot_id is not None
    assert machine.drives.medium_now(card) == (card.boot_id, None)
    machine.answer["boots"] = 413
    next_boot, _ = machine.drives.medium_now(card)
    machine.answer["machine"] = "another"
    elsewhere, _ = machine.drives.medium_now(card)
    assert len({card.boot_id, next_boot, elsewhere}) == 3
    assert "f00df00d" not in card.boot_id.lower(), "the machine's own identity stays at home"


@pytest.mark.parametrize("change", [{"boots": None}, {"boots": "412"}, {"machine": None}])
def test_a_boot_that_is_not_told_is_unknown(machine: Machine, change: dict[str, Any]) -> None:
    machine.answer |= change
    assert machine.drives.volume_of(b"D:\\").boot_id is None


def test_a_volume_that_went_away_tells_nothing(machine: Machine) -> None:
    card = machine.drives.volume_of(b"D:\\")
    machine.windows.fail["CreateFileW"] = 21
    assert machine.drives.medium_now(card) == (None, None)


def test_a_path_that_is_not_there_is_an_error(machine: Machine) -> None:
    for path in (b"D:\\nothing", b"\xff\xfe"):
        with pytest.raises(FileNotFoundError):
            machine.drives.volume_of(path)


@pytest.mark.parametrize("odd", [b"", b"\xff", b"[1]", b"{", b"[" * 100_000, b'{"partitions": 7, "disks": "x"}'])
def test_answers_that_make_no_sense_leave_the_device_unknown(machine: Machine, odd: bytes) -> None:
    machine.answer = odd
    found = machine.drives.volume_of(b"D:\\")
    assert (found.device.key, found.boot_id) == (None, None)
    assert (found.capacity_bytes, found.file_system) == (1 << 40, "exfat"), "Windows itself still answers"
    assert machine.drives.other_partitions(found) is None


def test_one_of_anything_may_come_without_its_list(machine: Machine) -> None:
    machine.answer["disks"] = machine.answer["disks"][1]
    machine.answer["partitions"] = part(1, 2) | {"AccessPaths": f"{VOLUME}\\"}
    assert machine.drives.volume_of(b"D:\\").device.key is not None


def test_a_volume_that_is_there_but_does_not_answer_is_an_error(machine: Machine) -> None:
    machine.windows.fail["GetVolumeInformationW"] = 21
    with pytest.raises(OSError):
        machine.drives.volume_of(b"D:\\CLIPS")
    assert machine.windows.handles == {}


def test_a_virtual_disk_whose_file_lies_on_a_known_disk_names_it(machine: Machine) -> None:
    """The volume in memory is the host here; the virtual disk is only in what PowerShell says."""
    image = disk(2, Bus=15, Location="D:\\CLIPS\\A003C001.MOV", Guid=None)
    machine.answer["disks"].append(image)
    machine.answer["partitions"].append(part(2, 1, f"{HOST}\\"))
    host = machine.drives.volume_of(b"D:\\").device
    drives = WindowsDrives(machine.windows, machine.run)
    found = drives._device(HOST, Machine_(machine.answer))
    assert (found.kind, found.beneath) == ("loop", host.key)
    assert found.label == f"disk image A003C001.MOV on {host.label}"
    assert found.key == host.key  # it is that drive; on the computer's own disk it counts as its own


@pytest.mark.parametrize("location", [None, "D:\\gone.vhdx", "C:\\gone.vhdx"])
def test_a_virtual_disk_whose_file_cannot_be_found_has_an_unknown_disk_beneath(
    machine: Machine, location: str | None
) -> None:
    machine.answer["disks"][1] |= {"Bus": 15, "Location": location}
    found = machine.drives.volume_of(b"D:\\").device
    assert (found.kind, found.beneath) == ("loop", None)
    assert (found.key is None) is (location != "C:\\gone.vhdx")


def test_a_disk_without_a_model_is_named_by_its_number(machine: Machine) -> None:
    machine.answer["disks"][1] |= {"Model": "", "FriendlyName": None}
    assert machine.drives.volume_of(b"D:\\").device.label == "disk \\\\.\\PhysicalDrive1"
    machine.answer["disks"][1] |= {"Model": "Bell"}
    assert machine.drives.volume_of(b"D:\\").device.label == "Bell (\\\\.\\PhysicalDrive1)"


def test_network_drives_with_a_letter_are_not_listed_twice(machine: Machine) -> None:
    machine.answer["volumes"][0]["DriveType"] = 4
    assert machine.drives.volumes() == []
