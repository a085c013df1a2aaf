"""On how many devices does a roll lie? One answer, whichever command is asked, in whatever order the drives came."""

from __future__ import annotations

import json
import os
from itertools import permutations
from pathlib import Path

import pytest

from rollproof.models.requests import AuditRequest, Cancel, ReportRequest
from rollproof.station.context import Context
from rollproof.workflows.audit import audit
from rollproof.workflows.report import report
from rollproof.workflows.rolls import list_rolls
from support.shelf import Thing
from workflows.station import SMALL
from workflows.test_may_wipe_alone import Table

A, B, SET = "disk A", "disk B", "disk A + disk B"


@pytest.fixture
def table(tmp_path: Path) -> Table:
    return Table(tmp_path)


def everywhere(table: Table, *drives: Thing) -> dict[str, int]:
    """What each command says, after an offload to these drives."""
    said = {"offload": table.offload(*drives).rolls[0].copies_counted}
    table.desk.unplug(table.card)
    said["audit"] = _audited(table, drives)
    table.desk.plug_in(table.card, "A003")
    said["may-wipe"] = table.ask(reread=True).rolls[0].copies_counted
    said["rolls"] = list_rolls().rolls[0].devices_proven
    said["report"] = _reported(table, drives)
    said["report from memory"] = _reported(table, ())
    return said


def _audited(table: Table, drives: tuple[Thing, ...]) -> int:
    paths = tuple(os.fsencode(drive.top) for drive in drives)
    asked = AuditRequest(paths, working_folder=os.fsencode(table.folder))
    result = audit(
        asked, Context.of(emit=lambda event: None, cancel=Cancel(), io=table.io, drives=table.desk, settings=SMALL)
    )
    return result.rolls[0].copies_counted


def _reported(table: Table, drives: tuple[Thing, ...]) -> int:
    out = table.folder / f"report of {len(drives)} drives"
    asked = ReportRequest(
        tuple(os.fsencode(drive.top) for drive in drives),
        whole=True, out=os.fsencode(out), posters=False, working_folder=os.fsencode(table.folder),
    )  # fmt: skip
    written = report(asked, Context.of(io=table.io, drives=table.desk)).files
    (roll,) = json.loads(Path(written["json"]).read_text())["rolls"]
    return int(roll["devices_proven"])


def test_a_copy_on_a_disk_and_one_on_a_set_with_that_disk_are_one_device_to_every_command(table: Table) -> None:
    table.one.device, table.two.device = A, SET
    said = everywhere(table, table.one, table.two)
    assert said == dict.fromkeys(said, 1)
    assert list_rolls().rolls[0].state == "too few copies"


@pytest.mark.parametrize("order", list(permutations((A, B, SET))), ids=", ".join)
def test_the_number_is_the_same_in_whatever_order_the_drives_come(table: Table, order: tuple[str, str, str]) -> None:
    table.one.device, table.two.device, table.three.device = order
    said = everywhere(table, table.one, table.two, table.three)
    assert said == dict.fromkeys(said, 2)


def test_devices_that_cannot_be_told_are_one_to_every_command(table: Table) -> None:
    table.one.device = table.two.device = ""
    said = everywhere(table, table.one, table.two, table.three)
    assert said == dict.fromkeys(said, 2)
