"""The same answers on this machine: its own disk, loop images, FUSE exFAT, bind mounts."""

from __future__ import annotations

import os
import unicodedata

import pytest

from rollproof.drives import checks
from rollproof.drives.name_checks import drive_key, name_problem
from rollproof.drives.system import system_drives
from rollproof.models.findings import Kind
from rollproof.models.volumes import MediumWay, Volume
from rollproof.proof.devices import share_a_device
from rollproof.workflows.drives import list_drives
from support.devices import Devices, Drive
from support.loops import tool

pytestmark = pytest.mark.device


def volume_of(drive: Drive) -> Volume:
    return system_drives().volume_of(os.fsencode(drive.mount))


def test_the_disk_this_runs_on_is_told_and_listed(devices: Devices) -> None:
    drives = system_drives()
    here = drives.volume_of(os.fsencode(devices.folder))
    assert here.capacity_bytes > here.free_bytes > 0
    assert not here.is_mount_root
    assert here.boot_id
    assert drives.medium_now(here) == (here.boot_id, here.device.disk_sequence)
    (devices.folder / "filled place").mkdir()
    (devices.folder / "filled place" / "footage went here before").touch()
    wanted = [("primary", "", True), ("backup", "filled place", False), ("archive", "x", False)]
    result = list_drives(
        drives, [(role, os.fsencode(devices.folder / name), (), meant) for role, name, meant in wanted]
    )
    assert [found.role for found in result.missing] == ["backup", "archive"]
    assert [found.mount_point for found in result.drives if found.role == "primary"] == [os.fsdecode(here.mount_point)]


def test_a_path_that_is_not_there_is_an_error(devices: Devices) -> None:
    with pytest.raises(FileNotFoundError):
        system_drives().volume_of(os.fsencode(devices.folder / "nothing"))


@pytest.mark.parametrize(
    ("file_system", "name", "way"),
    [
        ("ext4", "ext4", MediumWay.DIRECT),
        ("xfs", "xfs", MediumWay.DIRECT),
        ("btrfs", "btrfs", MediumWay.DIRECT_AFTER_EVICTION),
        ("exfat", "fuse.exfat", MediumWay.DEVICE_PAGES_DROPPED),
    ],
)
def test_a_mounted_image_is_its_own_device_with_a_way_to_the_medium(
    devices: Devices, file_system: str, name: str, way: MediumWay
) -> None:
    drive = devices.image(file_system)
    found = volume_of(drive)
    assert (found.file_system, found.way, found.source) == (name, way, drive.node)
    assert found.is_mount_root
    assert found.device.kind == "loop"
    assert found.device.disk_sequence == drive.disk_sequence
    assert found.serial == tool("blkid", "-p", "-s", "UUID", "-o", "value", drive.node).strip()
    beneath = system_drives().volume_of(os.fsencode(drive.image))
    assert found.device.beneath == beneath.device.key
    assert share_a_device(found.device, beneath.device) is False
    assert system_drives().other_partitions(found) == []


def test_an_image_plugged_in_again_is_the_same_device_with_another_sequence(devices: Devices) -> None:
    drive = devices.image("ext4")
    before = volume_of(drive)
    drive.replug()
    after = volume_of(drive)
    assert (after.device.key, after.serial) == (before.device.key, before.serial)
    assert system_drives().medium_now(before) == (after.boot_id, after.device.disk_sequence)
    assert after.device.disk_sequence != before.device.disk_sequence
    drive.unplug()
    assert system_drives().medium_now(before) == (None, None)


def test_two_folders_of_one_image_are_one_device_and_two_images_are_two(devices: Devices) -> None:
    one, two, reader = devices.image("ext4"), devices.image("exfat"), devices.image("ext4")
    folders = [one.mount / "a", one.mount / "b", two.mount / "c"]
    for folder in folders:
        folder.mkdir()
    drives = system_drives()
    named = [(folder.name, drives.volume_of(os.fsencode(folder))) for folder in folders]
    card = drives.volume_of(os.fsencode(reader.mount))
    found = checks.device_findings(named, card, distinct_required=True)
    assert [(f.kind, f.drive) for f in found if f.kind is Kind.SAME_DEVICE] == [(Kind.SAME_DEVICE, "a and b")]
    assert {f.drive for f in found if f.kind is Kind.DISK_IMAGE} == {"a", "b", "c"}


def test_a_journal_that_holds_the_data_is_seen_although_the_mount_table_hides_it(devices: Devices) -> None:
    drive = devices.image("ext4", plugged=False)
    tool("tune2fs", "-o", "journal_data", drive.image)
    drive.plug_in()
    with open("/proc/self/mountinfo", "rb") as table:
        assert b"data=journal" not in table.read()
    assert volume_of(drive).way is MediumWay.NONE


def test_a_mount_that_covers_another_is_the_one_that_answers(devices: Devices) -> None:
    drive = devices.image("ext4")
    under = drive.mount / "under"
    under.mkdir()
    tool("mount", "--bind", devices.folder, under)
    try:
        tool("mount", "--bind", devices.tmpfs(), drive.mount)
        try:
            # the bind mount on `under` is still in the table, and nothing can reach it any more
            (drive.mount / "under").mkdir()
            assert system_drives().volume_of(os.fsencode(under)).file_system == "tmpfs"
        finally:
            tool("umount", drive.mount)
    finally:
        tool("umount", under)


def test_a_bind_mount_of_a_part_of_the_card_is_inside_the_card(devices: Devices) -> None:
    card = devices.image("ext4")
    (card.mount / "DCIM" / "deep").mkdir(parents=True)
    part = devices.bind(card.mount / "DCIM")
    drives = system_drives()
    for place in (part, part / "deep", part / "new" / "folder"):
        found = checks.placement_findings(os.fsencode(card.mount), [("primary", os.fsencode(place))], drives)
        assert [f.kind for f in found] == [Kind.DESTINATION_INSIDE_SOURCE]
    found = checks.placement_findings(os.fsencode(part), [("primary", os.fsencode(card.mount))], drives)
    assert [f.kind for f in found] == [Kind.SOURCE_INSIDE_DESTINATION]


def test_a_bind_mount_of_the_whole_card_is_the_card_even_without_the_mount_table(devices: Devices) -> None:
    card = devices.image("ext4")
    again = devices.bind(card.mount)
    found = checks.placement_findings(os.fsencode(card.mount), [("primary", os.fsencode(again / "new"))])
    assert [f.kind for f in found] == [Kind.DESTINATION_INSIDE_SOURCE]


def test_what_is_mounted_inside_a_card_is_told(devices: Devices) -> None:
    card = devices.image("ext4")
    assert system_drives().mounts_below(os.fsencode(card.mount)) == []
    inside = card.mount / "inside it"
    inside.mkdir()
    tool("mount", "--bind", devices.tmpfs(), inside)
    try:
        assert system_drives().mounts_below(os.fsencode(card.mount)) == [os.fsencode(inside)]
    finally:
        tool("umount", inside)


def _holds(drive: Drive, name: bytes) -> bool:
    path = os.path.join(os.fsencode(drive.mount), name)
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except OSError:
        return False
    os.unlink(path)
    return True


@pytest.mark.parametrize("file_system", ["exfat", "ext4", "xfs", "btrfs"])
def test_the_names_a_drive_really_holds_are_those_the_limits_say(devices: Devices, file_system: str) -> None:
    drive = devices.image(file_system)
    limits = volume_of(drive).limits
    names = [bytes([letter]) + b"x" for letter in range(1, 128) if letter != ord("/")]
    names += [b"x" * 255, b"x" * 256, b"x.", b"x ", b"\xff", b"CON"]
    names += ["é".encode() * count for count in (127, 128, 255, 256)]
    names += ["😀".encode() * count for count in (63, 64, 127, 128)]
    assert {name: name_problem(name, limits) is None for name in names} == {name: _holds(drive, name) for name in names}


@pytest.mark.parametrize("file_system", ["exfat", "ext4"])
def test_names_a_drive_takes_for_one_are_those_the_limits_say(devices: Devices, file_system: str) -> None:
    drive = devices.image(file_system)
    limits = volume_of(drive).limits
    decomposed = unicodedata.normalize("NFD", "É")
    for one, other in [("Clip.MOV", "CLIP.mov"), ("É", "é"), ("É", decomposed), ("straße", "STRASSE"), ("ä", "Ä")]:
        (drive.mount / one).write_bytes(b"")
        assert (drive.mount / other).exists() is (
            drive_key(one.encode(), limits) == drive_key(other.encode(), limits)
        ), (one, other)
        (drive.mount / one).unlink()


@pytest.mark.parametrize("file_system", ["exfat", "ext4", "xfs", "btrfs"])
def test_times_come_back_within_the_granularity(devices: Devices, file_system: str) -> None:
    drive = devices.image(file_system)
    granularity = volume_of(drive).limits.timestamp_ns
    clip = drive.mount / "A003C001.MOV"
    clip.write_bytes(b"x")
    for wanted in (1_700_000_000_123_456_789, 1_700_000_001_999_999_999, 1_000_000_001_000_000_001):
        os.utime(clip, ns=(wanted, wanted))
        assert abs(clip.stat().st_mtime_ns - wanted) < granularity or granularity == 1
        if granularity == 1:
            assert clip.stat().st_mtime_ns == wanted


@pytest.mark.parametrize("file_system", ["exfat", "ext4", "xfs", "btrfs"])
def test_the_estimate_of_room_is_enough_for_many_small_files(devices: Devices, file_system: str) -> None:
    drive = devices.image(file_system, make_options=("-c", "32K") if file_system == "exfat" else ())
    before = volume_of(drive)
    sizes = [(number * 37) % 9000 for number in range(600)]
    for folder in range(6):
        (drive.mount / f"folder {folder}").mkdir()
    for number, size in enumerate(sizes):
        (drive.mount / f"folder {number % 6}" / f"clip with a long name {number:05}.xml").write_bytes(b"x" * size)
    # the records: what the estimate must leave room for, in the size our own have
    (drive.mount / "record").write_bytes(b"r" * 450 * len(sizes))
    (drive.mount / "manifest").write_bytes(b"m" * 400 * len(sizes))
    tool("sync", "--file-system", drive.mount)
    used = before.free_bytes - volume_of(drive).free_bytes
    assert 0 < used <= checks.bytes_needed(sizes, 6, before.limits, ["xxh128"])
