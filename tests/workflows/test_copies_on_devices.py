"""Copies of copies on real drives, through the command: damage on the medium, and what they count for a wipe."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from support.devices import Devices, Drive
from support.forked import ForkedStation
from support.station import Station
from workflows.station import CLIPS, fill, tree

pytestmark = pytest.mark.device

CLIP = "CLIP/A003C001_260514.mov"


class Cart:
    """A card and three drives, and the command."""

    def __init__(self, devices: Devices, folder: Path) -> None:
        self.card = devices.image("ext4", name="A003")
        self.primary = devices.image("ext4", name="primary")
        self.archive = devices.image("xfs", name="archive")
        self.shelf = devices.image("ext4", name="shelf")
        for drive in (self.card, self.primary, self.shelf):
            (drive.mount / "lost+found").rmdir()
        fill(self.card.mount, CLIPS)
        (folder / "work").mkdir()
        self.station = ForkedStation(Station(folder / "home", folder / "work"))

    def run(self, *words: Any) -> dict[str, Any]:
        """The command's answer."""
        return self.station.run(*words, "--json").json

    def offload(self, source: Path, to: Drive, *words: Any) -> dict[str, Any]:
        """One source to one drive: the roll's result."""
        (roll,) = self.run("offload", source, "--to", to.mount, *words)["rolls"]
        found: dict[str, Any] = roll
        return found

    def may_wipe(self) -> dict[str, Any]:
        """The card's answer."""
        return self.run("may-wipe", self.card.mount, "--by", "the data wrangler")


@pytest.fixture
def cart(devices: Devices, tmp_path: Path) -> Cart:
    """One proven copy, on the first drive only."""
    made = Cart(devices, tmp_path)
    assert made.offload(made.card.mount, made.primary, "--roll", "A003")["verdict"] == "proven"
    return made


def counted(answer: dict[str, Any]) -> set[str]:
    """Drives whose copy counts."""
    return {copy["drive"] for copy in answer["copies"] if copy["counted"]}


def test_a_bit_that_fell_on_the_source_s_medium_is_caught_and_not_passed_on(cart: Cart) -> None:
    cart.primary.flip(cart.primary.mount / "A003" / CLIP, 1000)
    roll = cart.offload(cart.primary.mount / "A003", cart.archive)
    assert roll["verdict"] == "not proven"
    assert [found["path"] for found in roll["findings"] if found["kind"] == "differs"] == [CLIP]
    there = tree(cart.archive.mount / "A003")
    assert CLIP not in there
    assert there.keys() >= CLIPS.keys() - {CLIP}
    assert not counted(cart.may_wipe())  # neither the damaged source nor the half copy


def test_a_copy_of_a_copy_counts_for_the_card_as_a_copy_of_its_roll(cart: Cart) -> None:
    assert counted(cart.may_wipe()) == {"primary"}
    cart.primary.replug(read_only=True)
    roll = cart.offload(cart.primary.mount / "A003", cart.archive)
    assert (roll["verdict"], roll["enough_copies"], roll["copies_counted"]) == ("proven", True, 2)
    assert counted(cart.may_wipe()) == {"primary", "archive"}


def test_a_copy_whose_records_say_another_hash_than_the_card_has_counts_for_nothing(cart: Cart) -> None:
    foreign = cart.shelf.mount / "A003"
    shutil.copytree(cart.primary.mount / "A003", foreign, ignore=shutil.ignore_patterns("rollproof", "ascmhl"))
    (foreign / CLIP).write_bytes(b"other footage of the same name" * 10_000)
    assert cart.run("verify", cart.shelf.mount)["verdict"] == "not proven"  # nothing is recorded of it
    other = cart.shelf.mount / "card"
    shutil.move(foreign, other)
    assert cart.offload(other, cart.archive, "--roll", "A003")["verdict"] == "proven"
    third = cart.offload(cart.archive.mount / "A003", cart.shelf)
    assert third["verdict"] == "proven"
    assert counted(cart.may_wipe()) == {"primary"}


def test_a_full_new_drive_ends_its_copy_and_leaves_the_source_whole(cart: Cart) -> None:
    before = tree(cart.primary.mount / "A003")
    cart.archive.fill(leave_bytes=100_000)
    roll = cart.offload(cart.primary.mount / "A003", cart.archive)
    assert roll["verdict"] == "refused"
    assert {found["kind"] for found in roll["findings"] if found["severity"] == "error"} == {"no-space"}
    assert tree(cart.primary.mount / "A003") == before
