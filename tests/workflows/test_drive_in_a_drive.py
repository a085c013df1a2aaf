"""A drive that is mounted in a folder of another one: what lies there is not on the outer drive."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from cli.running import run_line
from support.devices import Devices, Drive
from workflows.station import fill
from workflows.test_audit_devices import kinds, run

pytestmark = pytest.mark.device


class Cart:
    """Two rolls on each of two drives; the second drive can be mounted inside the first."""

    def __init__(self, devices: Devices) -> None:
        self.devices = devices
        self.outer, self.inner = devices.image("ext4", name="outer"), devices.image("ext4", name="inner")
        for roll in ("A001", "A002"):
            card = devices.image("ext4")
            (card.mount / "lost+found").rmdir()
            fill(card.mount, {f"CLIP/{roll}C001.mov": 300_000}, salt=roll.encode())
            card.replug(read_only=True)
            status, _ = run("offload", card.mount, "--to", self.outer.mount, "--to", self.inner.mount, "--roll", roll)
            assert status == 0

    def mount_inside(self, folder: str) -> Path:
        """The second drive, in a folder of the first, as a second mount point."""
        bound = self.outer.mount / folder
        bound.mkdir(exist_ok=True)
        drive = Drive(self.inner.image, bound, "ext4")
        self.inner.unplug()
        self.devices.on_exit().callback(drive.give_up)
        drive.plug_in()
        return bound


@pytest.fixture
def cart(devices: Devices) -> Cart:
    """The drives."""
    return Cart(devices)


def rolls(answer: dict[str, Any], key: str) -> list[str]:
    """The folders of the rolls in a handover's or a receive's answer."""
    return [roll["folder"] for place in answer[key] for roll in place["rolls"]]


def test_its_rolls_are_neither_handed_over_nor_received_with_the_outer_drive(cart: Cart) -> None:
    cart.mount_inside("USB")
    _, left = run("handover", cart.outer.mount, "--to", "post house")
    assert rolls(left, "handovers") == ["A001", "A002"]
    assert kinds(left, "warning") >= {"not-looked-at"}
    status, arrived = run("receive", cart.outer.mount)
    assert (status, rolls(arrived, "compared")) == (0, ["A001", "A002"])
    assert kinds(arrived, "warning") >= {"not-looked-at"}


def test_a_roll_that_lies_in_the_place_of_one_of_the_outer_drives_did_not_arrive(cart: Cart) -> None:
    run("handover", cart.outer.mount, "--to", "post house")
    shutil.rmtree(cart.outer.mount / "A001")
    inside = cart.mount_inside("A001")
    for path in (*inside.glob("A002"), *inside.glob("lost+found")):
        shutil.rmtree(path)
    for path in (inside / "A001").iterdir():
        path.rename(inside / path.name)
    status, arrived = run("receive", cart.outer.mount)
    assert (status, kinds(arrived)) == (1, {"roll-missing", "other-receipt"})


def test_its_rolls_are_on_no_packing_list_and_in_no_checksum_file_of_the_outer_drive(
    cart: Cart, tmp_path: Path
) -> None:
    cart.mount_inside("USB")
    _, listed = run("packing-list", cart.outer.mount, "--out", tmp_path / "list")
    assert len([name for name in (tmp_path / "list").iterdir() if name.suffix == ".mhl"]) == 2
    assert kinds(listed, "warning") == {"not-looked-at"}
    run_line("checksums", str(cart.outer.mount), "--hash", "xxh128", "--out", str(tmp_path / "outer.xxh128"))
    assert "USB" not in (tmp_path / "outer.xxh128").read_text()


def test_an_audit_takes_it_for_the_drive_it_is(cart: Cart) -> None:
    cart.mount_inside("USB")
    status, answer = run("audit", cart.outer.mount)
    assert (status, kinds(answer)) == (0, set())
    assert len(answer["drives"]) == 2
    assert {roll["copies_counted"] for roll in answer["rolls"]} == {2}
