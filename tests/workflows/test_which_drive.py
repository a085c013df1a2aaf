"""Which drive is this? Two arrive with one name: the ledger tells them apart by device and volume."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from ledger.notes import copy as note
from rollproof.ledger.entries import DriveIdentity
from rollproof.ledger.opening import open_ledger
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.station.context import Context
from rollproof.station.known_drives import which_drive, which_drive_if_any
from rollproof.storage.station import station_home
from rollproof.workflows.custody import custody
from rollproof.workflows.drives import list_drives
from rollproof.workflows.offload import offload
from support.shelf import Desk, QuickIo, Thing
from workflows.station import SMALL, fill


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A card, a drive that was offloaded to under the name SHUTTLE, and nothing else."""
    made = Desk(tmp_path)
    card, drive = made.thing("card", "card-1"), made.thing("shuttle", "disk-1")
    drive.label = "SHUTTLE"
    made.plug_in(card, "A003")
    made.plug_in(drive, "shuttle")
    fill(card.top, {"NOTES.TXT": 12})
    request = OffloadRequest(
        cards=(os.fsencode(card.top),), destinations=(os.fsencode(drive.top),), roll="A003",
        working_folder=os.fsencode(tmp_path),
    )  # fmt: skip
    offload(request, Context.of(emit=lambda event: None, cancel=Cancel(), io=QuickIo(), drives=made, settings=SMALL))
    return made


def said(desk: Desk, thing: Thing) -> str:
    """What the station says of it."""
    assert thing.slot is not None
    with open_ledger() as ledger:
        return which_drive(ledger, desk.volume_of(os.fsencode(thing.slot)))


def another(desk: Desk, device: str, serial: str = "", label: str = "SHUTTLE") -> Thing:
    """Another drive with the same name."""
    thing = desk.thing("another", device, serial=serial)
    thing.label = label
    desk.plug_in(thing, "another")
    return thing


def test_the_drive_itself_is_known_with_its_rolls(desk: Desk) -> None:
    assert said(desk, desk.things[1]).startswith("known here as shuttle, with 1 roll, last seen ")


def test_another_drive_of_the_same_name_is_not_taken_for_it(desk: Desk) -> None:
    told = said(desk, another(desk, "disk-2"))
    assert told.startswith("not known here; it only has the name of another one, shuttle, volume serial-2")


def test_a_clone_is_told_from_the_original(desk: Desk) -> None:
    told = said(desk, another(desk, "disk-2", serial="serial-2"))
    assert told.startswith("not known here, though its volume is that of shuttle")
    assert "a clone, or that disk in another case" in told


def test_a_drive_that_was_formatted_since_is_the_same_device_with_another_volume(desk: Desk) -> None:
    assert "formatted since" in said(desk, another(desk, "disk-1"))


def test_a_drive_nobody_has_seen_is_said_to_be_so(desk: Desk) -> None:
    told = said(desk, another(desk, "disk-9", label="NEW"))
    assert told == "not known here: this station has never seen it"


def test_a_clone_that_was_taken_in_is_said_with_the_original(desk: Desk) -> None:
    clone = another(desk, "disk-2", serial="serial-2")
    with open_ledger() as ledger:
        (copy,) = ledger.copies_on(_identity(desk, desk.things[1]))
        ledger.remember_copy(copy.roll_id, note("shuttle", identity=_identity(desk, clone)))
    assert "one is a clone of the other" in said(desk, clone)


def _identity(desk: Desk, thing: Thing) -> DriveIdentity:
    return DriveIdentity.of(desk.volume_of(os.fsencode(thing.top)))


@pytest.mark.path
def test_drives_and_custody_say_it(desk: Desk) -> None:
    listed = list_drives(desk, known=which_drive_if_any)
    assert any(drive.known.startswith("known here as shuttle") for drive in listed.drives)
    told = custody(os.fsencode(desk.things[1].top), Context.of(drives=desk, io=QuickIo()))
    assert told.drive is not None
    assert told.drive.known.startswith("known here as shuttle")


def test_asking_makes_no_ledger_where_there_is_none(desk: Desk) -> None:
    for path in station_home().glob("ledger*"):
        path.unlink()
    assert which_drive_if_any(desk.volume_of(os.fsencode(desk.things[1].top))) == ""
    assert not list(station_home().glob("ledger*"))
