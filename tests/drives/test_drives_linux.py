"""Which device a path lies on, shown on machines made of data."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from drives.fake_machine import BOOT_ID, MIB, Machine
from rollproof.models.volumes import MediumWay
from rollproof.proof.devices import parts, share_a_device


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """A computer whose system disk names itself."""
    made = Machine(tmp_path)
    made.disk(
        "sda",
        "8:0",
        attributes={"device/wwid": "naa.5000c500a1b2c3d4\n", "device/model": "SYSTEM DISK\n", "device/vendor": "ATA\n"},
        partitions={"sda1": "8:1", "sda2": "8:2"},
    )
    made.mount("/", "8:2", "ext4", "/dev/sda2")
    return made


def with_bridge(
    machine: Machine, name: str, letter: int, *, serial: str | None, table: str, size: int = 500 * MIB
) -> str:
    """A disk behind a USB bridge with one exFAT partition; the partition's number."""
    bus = f"pci0000:00/usb1/1-{letter}/host{letter}/0:0:0:0"
    machine.usb(f"pci0000:00/usb1/1-{letter}", serial=serial)
    machine.disk(
        name,
        f"8:{letter * 16}",
        bus=bus,
        size=size,
        sequence=letter,
        partitions={f"{name}1": f"8:{letter * 16 + 1}"},
    )
    machine.scsi(bus, name)
    machine.write(f"sys/devices/{bus}/vendor", "Bell\n")
    machine.write(f"sys/devices/{bus}/model", "Shuttle 1\n")
    machine.written[f"/dev/{name}"] = {"PTUUID": table}
    machine.written[f"/dev/{name}1"] = {"TYPE": "exfat", "UUID": f"AAAA-000{letter}", "LABEL": "SHUTTLE"}
    return f"8:{letter * 16 + 1}"


def test_two_partitions_of_one_disk_are_one_device_and_two_volumes(machine: Machine) -> None:
    machine.mount("/home", "8:1", "xfs", "/dev/sda1")
    machine.written["/dev/sda1"] = {"UUID": "11111111-2222-4333-8444-555555555555", "LABEL": "HOME"}
    machine.written["/dev/sda2"] = {"UUID": "99999999-2222-4333-8444-555555555555"}
    drives = machine.drives()
    system, home = drives.volume_of(b"/etc"), drives.volume_of(b"/home/a")
    assert system.device == home.device
    assert home.device.key == "wwid:naa.5000c500a1b2c3d4"
    assert home.device.label == "SYSTEM DISK (/dev/sda)"
    assert (home.serial, home.label, home.source) == ("11111111-2222-4333-8444-555555555555", "HOME", "/dev/sda1")
    assert system.serial != home.serial


def test_a_disk_that_names_itself_keeps_its_key_when_it_is_formatted(machine: Machine) -> None:
    before = machine.drives().volume_of(b"/").device.key
    machine.written["/dev/sda"] = {"PTUUID": "another table"}
    assert machine.drives().volume_of(b"/").device.key == before


def test_two_bridges_with_one_serial_are_told_apart_by_what_is_written_on_the_disks(machine: Machine) -> None:
    machine.mount("/media/one", with_bridge(machine, "sdb", 1, serial="0000SAME1", table="1111"), "exfat", "/dev/sdb1")
    machine.mount("/media/two", with_bridge(machine, "sdc", 2, serial="0000SAME1", table="2222"), "exfat", "/dev/sdc1")
    drives = machine.drives()
    one, two = drives.volume_of(b"/media/one").device, drives.volume_of(b"/media/two").device
    assert one.serial == two.serial == "0000SAME1"
    assert one.key is not None
    assert share_a_device(one, two) is False


def test_a_bridge_without_a_serial_is_known_by_size_and_partition_table(machine: Machine) -> None:
    machine.mount("/media/one", with_bridge(machine, "sdb", 1, serial=None, table="1111"), "exfat", "/dev/sdb1")
    found = machine.drives().volume_of(b"/media/one").device
    assert found.key == f"disk:Bell Shuttle 1::{500 * MIB}:1111"
    assert found.label == "Bell Shuttle 1 (/dev/sdb)"


def test_a_bridge_with_neither_serial_nor_anything_written_is_unknown(machine: Machine) -> None:
    number = with_bridge(machine, "sdb", 1, serial="0000000000", table="00000000")
    machine.written["/dev/sdb1"] = {"TYPE": "exfat", "UUID": "0000-0000"}
    machine.mount("/media/one", number, "exfat", "/dev/sdb1")
    found = machine.drives().volume_of(b"/media/one")
    assert found.device.key is None
    assert found.serial is None, "an identity of zeros names nothing"


def test_a_card_without_a_table_id_is_known_by_the_volumes_on_it(machine: Machine) -> None:
    number = with_bridge(machine, "sdb", 1, serial=None, table="00000000")
    machine.mount("/media/one", number, "exfat", "/dev/sdb1")
    key = machine.drives().volume_of(b"/media/one").device.key
    assert key is not None
    assert key.endswith(":AAAA-0001")


def test_an_encrypted_volume_lies_on_the_disk_of_its_partition(machine: Machine) -> None:
    machine.disk("dm-0", "253:0", bus="virtual", sequence=40, slaves=("sda1",))
    machine.mount("/safe", "253:0", "ext4", "/dev/mapper/safe")
    drives = machine.drives()
    safe = drives.volume_of(b"/safe")
    assert safe.device.key == drives.volume_of(b"/").device.key
    assert safe.source == "/dev/mapper/safe"
    assert drives.medium_now(safe) == (BOOT_ID, 5), "the disk's own sequence: reopening the mapping is no replug"


def test_a_set_of_two_disks_shares_a_device_with_each_of_them(machine: Machine) -> None:
    machine.disk("sdb", "8:16", attributes={"device/wwid": "naa.5000c500ffffffff"}, partitions={"sdb1": "8:17"})
    machine.disk("md0", "9:0", bus="virtual", slaves=("sda1", "sdb1"))
    machine.mount("/array", "9:0", "xfs", "/dev/md0")
    machine.mount("/media/b", "8:17", "exfat", "/dev/sdb1")
    drives = machine.drives()
    array, single, system = (drives.volume_of(path) for path in (b"/array", b"/media/b", b"/"))
    assert parts(array.device.key) == {"wwid:naa.5000c500a1b2c3d4", "wwid:naa.5000c500ffffffff"}
    assert share_a_device(array.device, single.device) is True
    assert share_a_device(array.device, system.device) is True
    assert share_a_device(single.device, system.device) is False
    assert array.device.label.startswith("a set of 2 disks")
    assert drives.medium_now(array) == (BOOT_ID, None), "one of the two may have stayed"


def test_a_set_with_an_unknown_disk_is_unknown(machine: Machine) -> None:
    machine.disk("sdb", "8:16", bus="pci0000:00/x")
    machine.disk("md0", "9:0", bus="virtual", slaves=("sda1", "sdb"))
    machine.mount("/array", "9:0", "xfs", "/dev/md0")
    assert machine.drives().volume_of(b"/array").device.key is None


def test_btrfs_is_found_by_its_source_and_stands_on_all_its_devices(machine: Machine) -> None:
    machine.disk("sdb", "8:16", attributes={"device/wwid": "naa.5000c500ffffffff"})
    uuid = "1274eaac-a3a8-489b-bb99-55d96850d784"
    for name in ("sda1", "sdb"):
        machine.link(f"sys/fs/btrfs/{uuid}/devices/{name}", f"sys/class/block/{name}")
    machine.mount("/pool", "0:39", "btrfs", "/dev/sdb", root="/@footage")
    pool = machine.drives().volume_of(b"/pool/x")
    assert parts(pool.device.key) == {"wwid:naa.5000c500a1b2c3d4", "wwid:naa.5000c500ffffffff"}
    assert pool.serial == uuid
    assert pool.mount_root == b"/@footage"
    assert pool.way is MediumWay.DIRECT_AFTER_EVICTION


def test_overlay_memory_and_network_are_unknown_devices_not_different_ones(machine: Machine) -> None:
    machine.mount("/box", "0:50", "overlay", "overlay")
    machine.mount("/ram", "0:51", "tmpfs", "tmpfs")
    machine.mount("/nas", "0:52", "nfs4", "nas:/footage")
    drives = machine.drives()
    found = {path: drives.volume_of(path) for path in (b"/box", b"/ram", b"/nas")}
    assert {path: (volume.device.key, volume.device.kind, volume.way) for path, volume in found.items()} == {
        b"/box": (None, "unknown", MediumWay.NONE),
        b"/ram": (None, "memory", MediumWay.NONE),
        b"/nas": (None, "network", MediumWay.SERVER),
    }
    assert share_a_device(found[b"/box"].device, found[b"/ram"].device) is None


def test_a_disk_image_is_its_own_device_and_names_the_disk_beneath(machine: Machine) -> None:
    machine.disk("loop0", "7:0", bus="virtual", attributes={"loop/backing_file": "/home/person/backup.img\n"})
    machine.mount("/home", "8:1", "ext4", "/dev/sda1")
    machine.mount("/media/img", "7:0", "ext4", "/dev/loop0")
    drives = machine.drives()
    image, home = drives.volume_of(b"/media/img"), drives.volume_of(b"/home")
    assert image.device.kind == "loop"
    assert share_a_device(image.device, home.device) is False
    assert image.device.beneath == home.device.key
    assert image.device.label == "disk image backup.img on SYSTEM DISK (/dev/sda)"
    assert image.device.rotational is None


def test_an_image_keeps_its_key_when_it_is_attached_again_elsewhere(machine: Machine) -> None:
    for name, number in (("loop0", "7:0"), ("loop5", "7:5")):
        machine.disk(name, number, bus="virtual", attributes={"loop/backing_file": "/srv/backup.img\n"})
        machine.mount(f"/media/{name}", number, "ext4", f"/dev/{name}")
    drives = machine.drives()
    assert drives.volume_of(b"/media/loop0").device.key == drives.volume_of(b"/media/loop5").device.key


def test_a_loop_over_a_whole_disk_is_that_disk(machine: Machine) -> None:
    machine.disk("loop0", "7:0", bus="virtual", attributes={"loop/backing_file": "/dev/sda1\n"})
    machine.mount("/media/l", "7:0", "ext4", "/dev/loop0")
    drives = machine.drives()
    assert drives.volume_of(b"/media/l").device.key == drives.volume_of(b"/").device.key


def test_an_image_on_an_image_ends_and_names_both(machine: Machine) -> None:
    machine.disk("loop0", "7:0", bus="virtual", attributes={"loop/backing_file": "/media/b/inner.img\n"})
    machine.disk("loop1", "7:1", bus="virtual", attributes={"loop/backing_file": "/media/a/outer.img\n"})
    machine.mount("/media/a", "7:0", "ext4", "/dev/loop0")
    machine.mount("/media/b", "7:1", "ext4", "/dev/loop1")  # each on the other: no real machine, but it must end
    assert (
        machine.drives().volume_of(b"/media/a").device.label.startswith("disk image inner.img on disk image outer.img")
    )


def test_a_bind_mount_is_the_same_device_with_the_folder_it_shows(machine: Machine) -> None:
    machine.mount("/media/again", "8:2", "ext4", "/dev/sda2", root="/home/footage")
    drives = machine.drives()
    again = drives.volume_of(b"/media/again")
    assert (again.mount_root, again.is_mount_root) == (b"/home/footage", True)
    assert again.device == drives.volume_of(b"/").device
    assert drives.volume_of(b"/media/again/x").is_mount_root is False


@pytest.mark.parametrize(
    ("mounted_as", "written", "name", "way"),
    [
        ("fuseblk", "exfat", "fuse.exfat", MediumWay.DEVICE_PAGES_DROPPED),
        ("fuseblk", "ntfs", "fuse.ntfs", MediumWay.DEVICE_PAGES_DROPPED),
        ("fuseblk", "ext4", "fuse.ext4", MediumWay.NONE),
        ("fuseblk", "", "fuseblk", MediumWay.NONE),
        ("exfat", "exfat", "exfat", MediumWay.DIRECT),
    ],
)
def test_fuse_on_a_block_device_is_named_by_what_lies_there(
    machine: Machine, mounted_as: str, written: str, name: str, way: MediumWay
) -> None:
    number = with_bridge(machine, "sdb", 1, serial="ABCD-REAL", table="1111")
    machine.written["/dev/sdb1"] = {"TYPE": written, "UUID": "AAAA-0001"} if written else {}
    machine.mount("/media/card", number if mounted_as in {"fuseblk", "exfat"} else "0:44", mounted_as, "/dev/sdb1")
    card = machine.drives().volume_of(b"/media/card")
    assert (card.file_system, card.way, card.source) == (name, way, "/dev/sdb1")
    assert card.device.node == "/dev/sdb"


@pytest.mark.parametrize("mounted_as", ["fuse", "fuse.exfat", "fuse.ntfs", "fuse.exfat-fuse"])
def test_fuse_that_only_says_what_it_is_is_no_device_and_a_cache_may_answer(machine: Machine, mounted_as: str) -> None:
    with_bridge(machine, "sdb", 1, serial="ABCD-REAL", table="1111")
    machine.mount("/media/card", "0:44", mounted_as, "/dev/sdb1")
    (card,) = [each for each in machine.drives().volumes() if each.mount_point == b"/media/card"]
    assert (card.device.key, card.way, card.file_system in ("fuse.exfat", "fuse.ntfs")) == (
        None,
        MediumWay.NONE,
        False,
    )


@pytest.mark.parametrize(
    ("at", "kind", "own"),
    [("/home/a", "loop", True), ("/media/shuttle", "loop", False), ("/run/ram", "memory", False)],
)
def test_an_image_is_the_drive_it_lies_on_but_for_the_computers_own(
    machine: Machine, at: str, kind: str, own: bool
) -> None:
    machine.mount("/home", "8:1", "ext4", "/dev/sda1")
    machine.mount("/run", "0:40", "tmpfs", "tmpfs")
    bridge = with_bridge(machine, "sdb", 1, serial="ABCD-REAL", table="1111")
    machine.mount("/media/shuttle", bridge, "exfat", "/dev/sdb1")
    machine.disk("loop0", "7:0", bus="virtual", attributes={"loop/backing_file": f"{at}/backup.img\n"})
    machine.mount("/media/img", "7:0", "ext4", "/dev/loop0")
    drives = machine.drives()
    image, lower = (drives.volume_of(path) for path in (b"/media/img", at.encode()))
    assert (image.device.kind, image.device.key == lower.device.key) == (kind, not own)
    assert image.way is (MediumWay.DIRECT if own else MediumWay.NONE)


def test_an_image_on_another_partition_of_the_system_disk_is_its_own(machine: Machine) -> None:
    machine.mount("/data", "8:1", "ext4", "/dev/sda1")
    machine.disk("loop0", "7:0", bus="virtual", attributes={"loop/backing_file": "/data/backup.img\n"})
    machine.mount("/media/img", "7:0", "ext4", "/dev/loop0")
    image = machine.drives().volume_of(b"/media/img")
    assert (image.device.key, image.way) == ("image:wwid:naa.5000c500a1b2c3d4:/data/backup.img", MediumWay.DIRECT)


def test_fuse_without_a_block_device_is_no_device(machine: Machine) -> None:
    machine.mount("/far", "0:61", "fuse.sshfs", "host:/footage")
    machine.mount("/odd", "0:62", "fuse.something", "something")
    drives = machine.drives()
    assert drives.volume_of(b"/far").device.kind == "network"
    assert (drives.volume_of(b"/odd").device.key, drives.volume_of(b"/odd").way) == (None, MediumWay.NONE)


def test_journalled_data_is_seen_where_the_mount_table_hides_it(machine: Machine) -> None:
    assert machine.drives().volume_of(b"/").way is MediumWay.DIRECT
    machine.write("proc/fs/ext4/sda2/options", "rw\ndata=journal\nbarrier\n")
    assert machine.drives().volume_of(b"/").way is MediumWay.NONE


def test_udev_tells_what_blkid_may_not_read_and_blkid_is_believed_first(machine: Machine) -> None:
    machine.write(
        "run/udev/data/b8:2",
        "S:disk/by-id/x\nE:ID_FS_TYPE=ext4\nE:ID_FS_UUID=from-udev\nE:ID_FS_LABEL=BELL_A\nE:ID_FS_LABEL_ENC=BELL\\x20A\n",
    )
    found = machine.drives().volume_of(b"/")
    assert (found.serial, found.label) == ("from-udev", "BELL A")
    machine.written["/dev/sda2"] = {"UUID": "from-blkid"}
    assert machine.drives().volume_of(b"/").serial == "from-blkid"


def test_a_medium_that_was_swapped_shows_another_sequence_number(machine: Machine) -> None:
    number = with_bridge(machine, "sdb", 1, serial="READER-12", table="1111")
    machine.mount("/media/card", number, "exfat", "/dev/sdb1")
    drives = machine.drives()
    card = drives.volume_of(b"/media/card")
    assert (card.boot_id, card.device.disk_sequence) == drives.medium_now(card) == (BOOT_ID, 1)
    machine.write("sys/devices/pci0000:00/usb1/1-1/host1/0:0:0:0/block/sdb/diskseq", "9\n")
    assert drives.medium_now(card) == (BOOT_ID, 9)
    machine.mounts.pop()
    assert machine.drives().medium_now(card) == (None, None)


def test_other_partitions_are_listed_mounted_or_not_and_system_ones_marked(machine: Machine) -> None:
    efi = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"
    machine.written["/dev/sda1"] = {"TYPE": "vfat", "LABEL": "EFI", "PART_ENTRY_TYPE": efi}
    drives = machine.drives()
    (other,) = drives.other_partitions(drives.volume_of(b"/")) or []
    assert (other.node, other.number, other.file_system, other.label) == ("/dev/sda1", 1, "vfat", "EFI")
    assert (other.is_system, other.mount_points) == (True, ())
    machine.mount("/boot/efi", "8:1", "vfat", "/dev/sda1")
    machine.written["/dev/sda1"] = {"TYPE": "exfat"}
    (other,) = machine.drives().other_partitions(drives.volume_of(b"/")) or []
    assert (other.is_system, other.mount_points) == (False, (b"/boot/efi",))


def test_partitions_of_what_cannot_be_seen_whole_are_unknown(machine: Machine) -> None:
    machine.disk(
        "loop0", "7:0", bus="virtual", attributes={"loop/backing_file": "/c.img\n", "loop/offset": "1048576\n"}
    )
    machine.mount("/media/img", "7:0", "ext4", "/dev/loop0")
    machine.mount("/ram", "0:51", "tmpfs", "tmpfs")
    drives = machine.drives()
    assert drives.other_partitions(drives.volume_of(b"/media/img")) is None
    assert drives.other_partitions(drives.volume_of(b"/ram")) is None


def test_the_list_shows_what_a_person_calls_a_drive_and_each_once(machine: Machine) -> None:
    machine.mount("/proc", "0:21", "proc", "proc")
    machine.mount("/dev/shm", "0:23", "tmpfs", "tmpfs")
    machine.mount("/boot/efi", "8:1", "vfat", "/dev/sda1")
    machine.mount("/var/bound", "8:2", "ext4", "/dev/sda2", root="/var/x")
    machine.mount("/nas", "0:52", "cifs", "//nas/footage")
    machine.disk("loop0", "7:0", bus="virtual")
    machine.mount("/snap/thing/1", "7:0", "squashfs", "/dev/loop0")
    drives = machine.drives()
    assert [volume.mount_point for volume in drives.volumes()] == [b"/", b"/nas"]
    assert len(drives.volumes(everything=True)) == len(machine.mounts)


def test_a_disk_made_of_memory_proves_nothing(machine: Machine) -> None:
    machine.disk("zram0", "252:0", bus="virtual")
    machine.mount("/fast", "252:0", "ext4", "/dev/zram0")
    fast = machine.drives().volume_of(b"/fast")
    assert (fast.device.kind, fast.device.key, fast.way) == ("memory", None, MediumWay.NONE)


def test_a_disk_behind_a_network_reaches_the_server_at_best(machine: Machine) -> None:
    machine.disk("nbd0", "43:0", bus="virtual", attributes={"device/wwid": "naa.6000000000000abc"})
    machine.mount("/block", "43:0", "xfs", "/dev/nbd0")
    assert machine.drives().volume_of(b"/block").way is MediumWay.SERVER


@pytest.mark.parametrize(
    ("name", "attributes", "key"),
    [
        (
            "nvme0n1",
            {"device/serial": "S4X9 12345   \n", "device/model": "Flash 2TB   \n"},
            "nvme:Flash 2TB:S4X9 12345",
        ),
        ("mmcblk0", {"device/cid": "035344534c36344780aabbccdd0133\n"}, "card:035344534c36344780aabbccdd0133"),
        ("sdq", {"device/wwid": "t10.ATA     DISK MODEL   WX12345678\n"}, "wwid:t10.ATA DISK MODEL WX12345678"),
        ("sdq", {"device/model": "OLD ATA\n", "device/vpd_pg80": b"\0\x80\0\x08WD-77123\n"}, "serial:OLD ATA:WD-77123"),
        ("sdq", {"device/wwid": "naa.3000000012345678\n"}, None),
    ],
)
def test_disks_are_known_by_the_name_they_give_themselves(
    machine: Machine, name: str, attributes: dict[str, str | bytes], key: str | None
) -> None:
    machine.disk(name, "65:0", attributes=attributes)
    machine.mount("/d", "65:0", "xfs", f"/dev/{name}")
    assert machine.drives().volume_of(b"/d").device.key == key


def test_names_from_a_device_cannot_carry_control_codes_or_pose_as_a_set(machine: Machine) -> None:
    machine.disk("sdq", "65:0", attributes={"device/model": "A\x1b[2J + B\n", "device/vpd_pg80": b"\0\x80\0\4S + 1234"})
    machine.mount("/d", "65:0", "xfs", "/dev/sdq")
    device = machine.drives().volume_of(b"/d").device
    assert device.key is not None
    assert "\x1b" not in device.key + device.label
    assert len(parts(device.key)) == 1


def test_a_path_no_mount_holds_is_an_error_not_a_guess(machine: Machine) -> None:
    machine.mounts.clear()
    with pytest.raises(FileNotFoundError):
        machine.drives().volume_of(b"/anywhere")


def test_mounts_that_say_nothing_cost_a_second_together_and_the_others_are_told_in_full(machine: Machine) -> None:
    number = with_bridge(machine, "sdb", 1, serial="S1", table="1111")
    machine.mount("/mnt/shuttle", number, "exfat", "/dev/sdb1")
    for each in range(4):
        machine.mount(f"/mnt/share{each}", f"0:{60 + each}", "nfs4", f"server:/share{each}")
        machine.dead.add(b"/mnt/share%d" % each)
    try:
        began = time.monotonic()
        found = {volume.mount_point: volume for volume in machine.drives().volumes(everything=True)}
        assert time.monotonic() - began < 3
    finally:
        machine.end.set()
    assert found[b"/mnt/shuttle"].serial == "AAAA-0001"
    assert [found[b"/mnt/share%d" % each].capacity_bytes for each in range(4)] == [0] * 4
