"""What lies beneath counts: images on drives and in memory, and mounts that say they are what they are not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from rollproof.drives.system import system_drives
from rollproof.models.requests import Cancel, OffloadRequest, VerifyRequest
from rollproof.models.results import RollResult
from rollproof.models.volumes import MediumWay, Volume
from rollproof.proof.devices import are_one, count_devices
from rollproof.station.context import Context
from rollproof.workflows.offload import offload
from rollproof.workflows.verify import verify
from support.devices import Devices, Drive
from support.fuse_fs import FaultyFolder
from support.loops import tool
from workflows.station import CLIPS, SMALL, fill

pytestmark = pytest.mark.device


def volume_of(path: Path) -> Volume:
    return system_drives().volume_of(os.fsencode(path))


def image_on(devices: Devices, top: Path, size_bytes: int = 24 << 20) -> Drive:
    """A mounted ext4 image whose file lies below `top`."""
    made = devices.image("ext4", size_bytes=size_bytes, plugged=False)
    file = top / f"{made.image.name}"
    tool("cp", "--sparse=always", made.image, file)
    made.image = file
    return made.plug_in()


def offloaded(card: Drive, *drives: Path) -> RollResult:
    request = OffloadRequest(
        cards=(os.fsencode(card.mount),),
        destinations=tuple(os.fsencode(drive) for drive in drives),
        roll="A003",
        working_folder=os.fsencode(card.image.parent),
    )
    return offload(request, Context.of(emit=lambda event: None, cancel=Cancel(), settings=SMALL)).rolls[0]


@pytest.fixture
def card(devices: Devices) -> Drive:
    made = devices.image("ext4")
    fill(made.mount, CLIPS)
    return made


def test_an_image_on_a_drive_is_that_drive_and_a_cache_may_answer_for_it(devices: Devices, card: Drive) -> None:
    drive = devices.image("ext4")
    image = image_on(devices, drive.mount)
    below, above = volume_of(drive.mount), volume_of(image.mount)
    assert are_one(above.device, below.device) is True
    assert (below.way, above.way) == (MediumWay.DIRECT, MediumWay.NONE)
    result = offloaded(card, drive.mount, image.mount)
    assert [(each.state, each.readback) for each in result.destinations] == [("proven", "medium"), ("copied", "cache")]
    assert result.copies_counted == 1
    assert any(found.kind == "same-device" for found in result.findings)


def test_an_image_that_was_detached_is_still_in_the_cache_of_the_drive_beneath(devices: Devices, card: Drive) -> None:
    image = image_on(devices, devices.image("ext4").mount)
    offloaded(card, image.mount)
    image.replug()
    request = VerifyRequest((os.fsencode(image.mount),))
    (copy,) = verify(request, Context.of(emit=lambda event: None, cancel=Cancel(), settings=SMALL)).copies
    assert copy.readback == "cache"


def test_two_images_on_one_drive_are_one_device(devices: Devices) -> None:
    drive = devices.image("ext4")
    images = [volume_of(image_on(devices, drive.mount, 8 << 20).mount).device for _ in range(2)]
    assert count_devices(images) == 1
    assert count_devices([*images, volume_of(drive.mount).device]) == 1


def test_images_on_the_computers_own_disk_are_each_their_own(devices: Devices) -> None:
    images = [volume_of(devices.image("ext4").mount) for _ in range(2)]
    assert count_devices([image.device for image in images]) == 2
    assert {image.way for image in images} == {MediumWay.DIRECT}


def test_an_image_in_memory_is_no_device(devices: Devices, card: Drive) -> None:
    image = image_on(devices, devices.tmpfs(64 << 20))
    found = volume_of(image.mount)
    assert (found.device.kind, found.device.key, found.way) == ("memory", None, MediumWay.NONE)
    result = offloaded(card, image.mount)
    assert (result.copies_counted, result.destinations[0].state) == (0, "copied")


@pytest.mark.parametrize("subtype", ["exfat", "ntfs"])
def test_a_mount_that_only_says_what_it_is_earns_nothing(devices: Devices, card: Drive, subtype: str) -> None:
    real = devices.image("exfat")
    with FaultyFolder(
        devices.place("behind"), devices.place("claims"), direct_io=True, fsname=real.node, subtype=subtype
    ) as claims:
        found = volume_of(claims.mount)
        assert (found.device.key, found.way) == (None, MediumWay.NONE)
        result = offloaded(card, claims.mount)
        assert [(each.state, each.readback) for each in result.destinations] == [("copied", "cache")]
        assert result.copies_counted == 0


def test_an_image_whose_drive_was_unmounted_under_it_lies_on_nothing_that_is_known(devices: Devices) -> None:
    drive = devices.image("ext4")
    image = image_on(devices, drive.mount)
    drive.unmount_lazily()
    found = volume_of(image.mount)
    assert (found.device.key, found.way) == (None, MediumWay.NONE)
