"""`MacosDrives` on a macOS of our own making: mount table and program answers are data of the test."""

from __future__ import annotations

import errno
import os
import plistlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from rollproof.drives.interface import Drives
from rollproof.drives.macos import MacosDrives
from rollproof.models.volumes import MediumWay
from rollproof.proof.devices import share_a_device
from rollproof.storage import macos_calls as mac
from rollproof.storage.macos_calls import MountFacts
from storage.fake_macos import FakeMacos

BOOT = "6ca6d8a4-3d0f-4c55-9a3e-1b3f4f0e0001"
GB = 1_000_000_000


def mounted(point: str, source: str, file_system: str, flags: int = mac.MNT_LOCAL) -> MountFacts:
    return MountFacts(point.encode(), source, file_system, flags, 500 * GB, 200 * GB, 4096)


MOUNTS = (
    mounted("/", "/dev/disk3s1s1", "apfs", mac.MNT_LOCAL | mac.MNT_RDONLY),
    mounted("/dev", "devfs", "devfs", mac.MNT_LOCAL | mac.MNT_DONTBROWSE),
    mounted("/System/Volumes/Data", "/dev/disk3s5", "apfs", mac.MNT_LOCAL | mac.MNT_DONTBROWSE),
    mounted("/Volumes/A003", "/dev/disk4s2", "exfat", mac.MNT_LOCAL | mac.MNT_RDONLY),
    mounted("/Volumes/A003 sound", "/dev/disk4s3", "msdos"),
    mounted("/Volumes/Backup", "/dev/disk6s1", "apfs"),
    mounted("/Volumes/Foundry", "//guest@server/foundry", "smbfs", 0),
    mounted("/Volumes/Image", "/dev/disk7s1", "exfat"),
    mounted("/Volumes/Old", "/dev/disk8s1", "lifs"),
)


def part(name: str, content: str, **more: Any) -> dict[str, Any]:
    return {"DeviceIdentifier": name, "Content": content, "Size": GB, **more}


LISTING: dict[str, Any] = {
    "AllDisksAndPartitions": [
        {
            "DeviceIdentifier": "disk0",
            "Content": "GUID_partition_scheme",
            "Partitions": [
                part("disk0s1", "Apple_APFS_ISC", DiskUUID="0A"),
                part("disk0s2", "Apple_APFS", DiskUUID="0B"),
            ],
        },
        {
            "DeviceIdentifier": "disk3",
            "APFSVolumes": [
                {"DeviceIdentifier": "disk3s1", "Size": GB, "VolumeName": "System"},
                {"DeviceIdentifier": "disk3s5", "MountPoint": "/System/Volumes/Data", "VolumeName": "Data"},
            ],
        },
        {
            "DeviceIdentifier": "disk4",
            "Partitions": [
                part("disk4s1", "EFI", DiskUUID="4A"),
                part("disk4s2", "Microsoft Basic Data", DiskUUID="4B", MountPoint="/Volumes/A003"),
                part(
                    "disk4s3", "Microsoft Basic Data", DiskUUID="4C", MountPoint="/Volumes/A003 sound", VolumeName="S"
                ),
                part("disk4s4", "Linux Filesystem", DiskUUID="4D"),
            ],
        },
        {"DeviceIdentifier": "disk5", "Partitions": [part("disk5s2", "Apple_APFS", DiskUUID="5B")]},
        {
            "DeviceIdentifier": "disk6",
            "APFSVolumes": [
                {"DeviceIdentifier": "disk6s1", "Size": GB, "MountPoint": "/Volumes/Backup"},
                {"DeviceIdentifier": "disk6s2", "Size": GB, "VolumeName": "Hidden"},
            ],
        },
        {"DeviceIdentifier": "disk7", "Partitions": [part("disk7s1", "Microsoft Basic Data", DiskUUID="7A")]},
        {"DeviceIdentifier": "disk8", "Partitions": [part("disk8s1", "Microsoft Basic Data")]},
    ]
}


def whole(name: str, **more: Any) -> dict[str, Any]:
    physical = {"VirtualOrPhysical": "Physical", "BusProtocol": "USB", "MediaName": "Shuttle", "Size": 500 * GB}
    return {"DeviceIdentifier": name, "ParentWholeDisk": name, **physical, **more}


def volume(name: str, disk: str, **more: Any) -> dict[str, Any]:
    return {"DeviceIdentifier": name, "ParentWholeDisk": disk, **more}


def apfs(name: str, container: str, *stores: str, **more: Any) -> dict[str, Any]:
    return volume(
        name,
        container,
        FilesystemType="apfs",
        APFSContainerReference=container,
        APFSPhysicalStores=[{"APFSPhysicalStore": store} for store in stores],
        **more,
    )


INFO: dict[str, dict[str, Any]] = {
    found["DeviceIdentifier"]: found
    for found in (
        whole("disk0", BusProtocol="Apple Fabric", MediaName="Inside", SolidState=True),
        volume("disk0s2", "disk0"),
        apfs("disk3s1s1", "disk3", "disk0s2", VolumeName="System"),
        apfs("disk3s5", "disk3", "disk0s2", VolumeName="Data"),
        whole("disk4", MediaName="Card Reader", SolidState=False),
        volume(
            "disk4s2",
            "disk4",
            FilesystemType="exfat",
            VolumeName="A003\u202e",
            VolumeUUID="11111111-2222-3333-4444-555555555555",
            VolumeAllocationBlockSize=131_072,
        ),
        volume("disk4s3", "disk4", FilesystemType="msdos"),
        volume("disk4s4", "disk4"),
        whole("disk5"),
        volume("disk5s2", "disk5"),
        apfs("disk6s1", "disk6", "disk5s2", VolumeName="Backup"),
        apfs("disk6s2", "disk6", "disk5s2"),
        whole("disk7", BusProtocol="Disk Image", VirtualOrPhysical="Virtual", MediaName="Disk Image"),
        volume("disk7s1", "disk7", FilesystemType="exfat"),
        whole("disk8", MediaName="Shuttle"),
        volume("disk8s1", "disk8", FilesystemType="ExFAT"),
    )
}

IMAGES = {
    "images": [
        {
            "image-path": "/Volumes/Backup/cards/A003.dmg",
            "system-entities": [{"dev-entry": "/dev/disk7"}, {"dev-entry": "/dev/disk7s1"}],
        }
    ]
}


@dataclass
class Machine(FakeMacos):
    """A Mac: the mount table and the answers of its programs."""

    table: tuple[MountFacts, ...] = MOUNTS
    info: dict[str, Any] = field(default_factory=lambda: dict(INFO))
    listing: Any = field(default_factory=lambda: LISTING)
    images: Any = field(default_factory=lambda: IMAGES)
    boot: bytes = BOOT.upper().encode() + b"\n"
    asked: list[tuple[str, ...]] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def mounts(self) -> list[MountFacts]:
        return list(self.table)

    def mount_of_path(self, path: bytes) -> MountFacts:
        holding = [one for one in self.table if (path + b"/").startswith(one.mount_point.rstrip(b"/") + b"/")]
        if not holding:
            raise OSError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        return max(holding, key=lambda one: len(one.mount_point))

    def run(self, arguments: Sequence[str]) -> bytes:
        self.asked.append(tuple(arguments))
        program, rest = os.path.basename(arguments[0]), list(arguments[1:])
        if program == "sysctl":
            return self.boot
        if program == "hdiutil":
            return self.answer(self.images)
        if rest[0] == "list":
            return self.answer(self.listing)
        return self.answer(self.info.get(rest[2], b""))

    @staticmethod
    def answer(found: Any) -> bytes:
        return found if isinstance(found, bytes) else plistlib.dumps(found)

    @property
    def drives(self) -> Drives:
        return MacosDrives(
            self,
            self.run,
            real_path=lambda path: path,
            device_number=sum,
            case_sensitive=lambda path: path == b"/Volumes/Backup",
        )


@pytest.fixture
def machine() -> Machine:
    return Machine()


def test_a_card_is_told_by_its_volume_and_its_whole_disk(machine: Machine) -> None:
    found = machine.drives.volume_of(b"/Volumes/A003/CLIPS")
    assert found.mount_point == b"/Volumes/A003"
    assert not found.is_mount_root
    assert machine.drives.volume_of(b"/Volumes/A003").is_mount_root
    assert (found.file_system, found.source, found.read_only) == ("exfat", "/dev/disk4s2", True)
    assert (found.capacity_bytes, found.free_bytes) == (500 * GB, 200 * GB)
    assert found.serial == "11111111-2222-3333-4444-555555555555"
    assert "\u202e" not in found.label
    assert found.limits.allocation_bytes == 131_072
    assert found.limits.folds_case
    assert found.way is MediumWay.MACOS_INVALIDATED
    assert found.boot_id == BOOT
    assert found.device.node == "/dev/disk4"
    assert found.device.rotational is True
    assert found.device.disk_sequence is None


def test_the_programs_are_named_in_full_and_only_asked_about_disk_names(machine: Machine) -> None:
    machine.table += (
        mounted("/Volumes/odd", "--plist", "exfat"),
        mounted("/Volumes/odder", "/dev/disk4s2/../x", "exfat"),
    )
    machine.drives.volumes(everything=True)
    assert all(call[0].startswith("/usr/") for call in machine.asked)
    subjects = {call[3] for call in machine.asked if call[1:3] == ("info", "-plist") and len(call) > 3}
    assert subjects
    assert all(subject.startswith("disk") and "/" not in subject for subject in subjects)


def test_two_partitions_of_one_card_share_its_device(machine: Machine) -> None:
    one, two = machine.drives.volume_of(b"/Volumes/A003"), machine.drives.volume_of(b"/Volumes/A003 sound")
    assert one.device.key is not None
    assert one.device == two.device
    assert two.way is MediumWay.NONE, "FAT is not on the list of macOS"


def test_a_container_is_followed_to_its_physical_store(machine: Machine) -> None:
    system, data = machine.drives.volume_of(b"/"), machine.drives.volume_of(b"/System/Volumes/Data/x")
    assert system.device.node == data.device.node == "/dev/disk0"
    assert share_a_device(system.device, data.device) is True
    backup = machine.drives.volume_of(b"/Volumes/Backup")
    assert backup.device.node == "/dev/disk5"
    assert share_a_device(system.device, backup.device) is False
    assert not backup.limits.folds_case, "this container tells case apart"


def test_a_container_on_two_disks_shares_a_device_with_each(machine: Machine) -> None:
    machine.info["disk6s1"] = apfs("disk6s1", "disk6", "disk5s2", "disk0s2")
    both = machine.drives.volume_of(b"/Volumes/Backup").device
    assert share_a_device(both, machine.drives.volume_of(b"/").device) is True
    assert both.label.startswith("a set of 2 disks")


def test_a_container_that_does_not_tell_its_stores_is_an_unknown_device(machine: Machine) -> None:
    machine.info["disk6s1"] = volume("disk6s1", "disk6", APFSContainerReference="disk6")
    found = machine.drives.volume_of(b"/Volumes/Backup")
    assert found.device.key is None
    assert machine.drives.other_partitions(found) is None


def test_two_clones_attached_at_once_count_as_one_device(machine: Machine) -> None:
    machine.listing = {
        "AllDisksAndPartitions": [
            {"DeviceIdentifier": disk, "Partitions": [part(f"{disk}s2", "x", DiskUUID="same")]}
            for disk in ("disk5", "disk8")
        ]
    }
    machine.info["disk8s1"] = volume("disk8s1", "disk8")
    one, two = machine.drives.volume_of(b"/Volumes/Backup"), machine.drives.volume_of(b"/Volumes/Old")
    assert share_a_device(one.device, two.device) is True


def test_a_device_without_anything_written_on_it_is_unidentified(machine: Machine) -> None:
    assert machine.drives.volume_of(b"/Volumes/Old").device.key is None


def test_a_disk_image_names_the_disk_beneath_and_its_reads_prove_nothing(machine: Machine) -> None:
    found = machine.drives.volume_of(b"/Volumes/Image")
    below = machine.drives.volume_of(b"/Volumes/Backup").device
    assert found.device.kind == "loop"
    assert found.device.beneath == below.key is not None
    assert found.device.label == f"disk image A003.dmg on {below.label}"
    assert found.way is MediumWay.NONE


def test_an_image_on_itself_ends(machine: Machine) -> None:
    machine.images = {
        "images": [{"image-path": "/Volumes/Image/x.dmg", "system-entities": [{"dev-entry": "/dev/disk7"}]}]
    }
    assert machine.drives.volume_of(b"/Volumes/Image").device.kind == "loop"


def test_memory_dressed_as_a_disk_is_memory(machine: Machine) -> None:
    machine.images = {"images": [{"image-path": "ram://2048", "system-entities": [{"dev-entry": "/dev/disk7"}]}]}
    found = machine.drives.volume_of(b"/Volumes/Image")
    assert (found.device.kind, found.device.key, found.way) == ("memory", None, MediumWay.NONE)


def test_a_network_volume_is_answered_by_its_server(machine: Machine) -> None:
    found = machine.drives.volume_of(b"/Volumes/Foundry/day-04")
    assert (found.device.kind, found.device.key, found.way) == ("network", None, MediumWay.SERVER)
    assert machine.drives.other_partitions(found) is None


def test_a_file_system_run_by_a_program_is_never_known_to_reach_the_device(machine: Machine) -> None:
    found = machine.drives.volume_of(b"/Volumes/Old")
    assert (found.file_system, found.way) == ("fuse.exfat", MediumWay.NONE)
    assert found.limits.max_name_utf16 == 255


def test_the_list_holds_what_a_person_would_call_a_drive(machine: Machine) -> None:
    points = [found.mount_point for found in machine.drives.volumes()]
    assert points == sorted(points)
    assert set(points) == {one.mount_point for one in MOUNTS} - {b"/dev", b"/System/Volumes/Data"}
    assert len(machine.drives.volumes(everything=True)) == len(MOUNTS)


def test_the_other_partitions_of_a_card_are_told_mounted_or_not(machine: Machine) -> None:
    found = machine.drives.other_partitions(machine.drives.volume_of(b"/Volumes/A003"))
    assert found is not None
    assert [(one.node, one.number, one.is_system) for one in found] == [
        ("/dev/disk4s1", 1, True),
        ("/dev/disk4s3", 3, False),
        ("/dev/disk4s4", 4, False),
    ]
    assert [one.mount_points for one in found] == [(), (b"/Volumes/A003 sound",), ()]
    assert [one.file_system for one in found] == [None, "msdos", None]


def test_other_volumes_of_a_container_lie_on_the_medium_too(machine: Machine) -> None:
    found = machine.drives.other_partitions(machine.drives.volume_of(b"/Volumes/Backup"))
    assert found is not None
    assert [(one.node, one.label, one.number) for one in found] == [("/dev/disk6s2", "Hidden", None)]


def test_the_volume_behind_a_mounted_snapshot_is_not_another_one(machine: Machine) -> None:
    found = machine.drives.other_partitions(machine.drives.volume_of(b"/"))
    assert found is not None
    assert [one.node for one in found] == ["/dev/disk0s1", "/dev/disk3s5"]


def test_partitions_are_unknown_when_the_list_does_not_hold_the_disk(machine: Machine) -> None:
    card = machine.drives.volume_of(b"/Volumes/A003")
    machine.listing = {"AllDisksAndPartitions": []}
    assert machine.drives.other_partitions(card) is None


def test_the_boot_is_told_while_the_volume_is_mounted_and_no_longer(machine: Machine) -> None:
    card = machine.drives.volume_of(b"/Volumes/A003")
    assert machine.drives.medium_now(card) == (BOOT, None)
    machine.table = tuple(one for one in MOUNTS if one.mount_point != b"/Volumes/A003")
    assert machine.drives.medium_now(card) == (None, None)


@pytest.mark.parametrize(
    "boot", [b"", b"not a boot id", b"\xff" * 36, b"Z" * 36], ids=["empty", "words", "no text", "no digits"]
)
def test_a_boot_id_that_is_none_is_unknown(machine: Machine, boot: bytes) -> None:
    machine.boot = boot
    assert machine.drives.volume_of(b"/Volumes/A003").boot_id is None


def test_mounts_below_a_folder_are_found_and_it_itself_is_not(machine: Machine) -> None:
    machine.table += (mounted("/Volumes/A003/inner", "/dev/disk9s1", "exfat"),)
    assert machine.drives.mounts_below(b"/Volumes/A003") == [b"/Volumes/A003/inner"]
    assert machine.drives.mounts_below(b"/Volumes/A003/inner") == []
    assert len(machine.drives.mounts_below(b"/")) == len(machine.table) - 1


def test_a_path_that_is_not_there_is_an_error(machine: Machine) -> None:
    machine.table = MOUNTS[3:]
    with pytest.raises(FileNotFoundError):
        machine.drives.volume_of(b"/nowhere")


ODD = [
    b"",
    b"\0" * 64,
    b"bplist00",
    b"<plist><dict>",
    plistlib.dumps([1, 2]),
    plistlib.dumps({"AllDisksAndPartitions": 7}),
]


@pytest.mark.parametrize("odd", ODD)
def test_answers_that_make_no_sense_leave_everything_unknown(machine: Machine, odd: bytes) -> None:
    machine.info, machine.listing, machine.images = dict.fromkeys(INFO, odd), odd, odd
    found = machine.drives.volume_of(b"/Volumes/A003")
    assert found.device.key is None
    assert found.serial is None
    assert found.capacity_bytes == 500 * GB
    assert machine.drives.other_partitions(found) is None


def test_values_of_the_wrong_kind_are_ignored(machine: Machine) -> None:
    machine.info["disk4"] = whole("disk4", MediaName=7, Size="large", SolidState="yes")
    machine.info["disk4s2"] = volume("disk4s2", "disk4", VolumeUUID=[], VolumeName=3, VolumeAllocationBlockSize=True)
    found = machine.drives.volume_of(b"/Volumes/A003")
    assert (found.serial, found.label, found.limits.allocation_bytes) == (None, "", 4096)
    assert (found.device.model, found.device.size_bytes, found.device.rotational) == ("", None, None)


def test_a_volume_that_goes_away_meanwhile_is_left_out(machine: Machine) -> None:
    def gone(_path: bytes) -> int:
        raise FileNotFoundError(errno.ENOENT, "gone")

    drives = MacosDrives(machine, machine.run, device_number=gone)
    assert drives.volumes() == []


def test_read_only_is_what_the_mount_says(machine: Machine) -> None:
    machine.table = (replace(MOUNTS[3], flags=mac.MNT_LOCAL),)
    assert not machine.drives.volume_of(b"/Volumes/A003").read_only


@pytest.mark.parametrize(
    ("change", "size", "rotational"),
    [
        ({}, 1000 * GB, True),
        ({"SolidState": None}, 1000 * GB, None),
        ({"Size": 0}, None, True),
    ],
)
def test_a_set_of_disks_is_as_large_and_as_slow_as_its_disks(
    machine: Machine, change: dict[str, Any], size: int | None, rotational: bool | None
) -> None:
    machine.info["disk6s1"] = apfs("disk6s1", "disk6", "disk5s2", "disk0s2")
    machine.info["disk5"] = {
        key: value for key, value in (whole("disk5", SolidState=False) | change).items() if value is not None
    }
    found = machine.drives.volume_of(b"/Volumes/Backup").device
    assert (found.kind, found.size_bytes, found.rotational) == ("disk", size, rotational)


def test_a_set_with_an_image_in_it_is_of_no_known_kind(machine: Machine) -> None:
    machine.info["disk6s1"] = apfs("disk6s1", "disk6", "disk5s2", "disk7s1")
    assert machine.drives.volume_of(b"/Volumes/Backup").device.kind == "unknown"


def test_a_disk_without_a_model_is_named_by_its_node(machine: Machine) -> None:
    machine.info["disk4"] = whole("disk4", MediaName="")
    assert machine.drives.volume_of(b"/Volumes/A003").device.label == "disk /dev/disk4"
    machine.info["disk4"] = whole("disk4", MediaName="Bell")
    assert machine.drives.volume_of(b"/Volumes/A003").device.label == "Bell (/dev/disk4)"


@pytest.mark.parametrize("images", [{"images": []}, {"images": [{"system-entities": [{"dev-entry": "/dev/disk7"}]}]}])
def test_an_image_whose_file_is_not_told_is_an_image_on_an_unknown_disk(machine: Machine, images: Any) -> None:
    machine.images = images
    found = machine.drives.volume_of(b"/Volumes/Image").device
    assert (found.kind, found.key, found.beneath) == ("loop", None, None)


def test_an_image_is_known_by_its_file_even_where_the_system_calls_it_a_disk(machine: Machine) -> None:
    machine.info["disk7"] = whole("disk7")
    assert machine.drives.volume_of(b"/Volumes/Image").device.kind == "loop"


def test_an_image_whose_file_is_gone_has_an_unknown_disk_beneath(machine: Machine) -> None:
    machine.images = {"images": [{"image-path": "/gone.dmg", "system-entities": [{"dev-entry": "/dev/disk7"}]}]}
    machine.table = tuple(one for one in MOUNTS if one.mount_point != b"/")
    found = machine.drives.volume_of(b"/Volumes/Image").device
    assert (found.kind, found.beneath) == ("loop", None)
