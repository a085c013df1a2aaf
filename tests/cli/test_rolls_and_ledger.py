"""`rollproof rolls` and `rollproof ledger rebuild` as a person and as a script see them."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from cli.hostile import NAMES, alive
from cli.running import run_line
from rollproof.cli.commands.rolls import _STATES
from rollproof.proof.devices import worth
from rollproof.workflows.rolls import STATES
from workflows.station import Station


@pytest.fixture
def station(tmp_path: Path) -> Station:
    made = Station(tmp_path)
    made.offload(day="2026-05-14", unit="main")
    return made


def test_a_fresh_station_says_that_it_has_seen_nothing() -> None:
    ran = run_line("rolls")
    assert (ran.status, ran.out) == (0, "This station has seen no such roll.\n")
    assert run_line("rolls", "A003").out == "This station has seen no roll of that name.\n"


def test_a_roll_has_its_line_with_state_copies_clips_and_permit(station: Station) -> None:
    out = run_line("rolls").out
    assert out.startswith("A003  too few copies  1 copy, 2 required  3 clips, 375.1 kB  no permit\n")
    assert "day 2026-05-14, unit main, camera A, offloaded" in out


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--day", "2026-05-14"), 1),
        (("--day", "2026-05-15"), 0),
        (("--unit", "main"), 1),
        (("--unit", "second"), 0),
        (("--camera", "A"), 1),
        (("--camera", "B"), 0),
        (("--state", "too few copies"), 1),
        (("--state", "proven"), 0),
    ],
)
def test_the_list_is_filtered(station: Station, words: tuple[str, str], found: int) -> None:
    assert len(json.loads(run_line("rolls", "--json", *words).out)["rolls"]) == found


def test_one_roll_tells_its_story_in_order(station: Station) -> None:
    station.verify()
    out = run_line("rolls", "A003").out
    assert "primary  proven" in out
    story = out.partition("What happened\n")[2]
    assert story.index("offload on primary: proven") < story.index("verify on primary: proven")
    told = json.loads(run_line("rolls", "A003", "--json").out)
    (history,) = told["histories"]
    assert [line["what"] for line in history["timeline"] if line["drive"] == "backup"] == ["offload", "verify"]


def test_the_states_that_can_be_asked_for_are_those_there_are(station: Station) -> None:
    assert _STATES == STATES
    assert {worth(devices, 2) for devices in range(4)} == set(STATES)
    (line,) = json.loads(run_line("rolls", "--json").out)["rolls"]
    assert line["state"] in STATES


def test_a_damaged_ledger_is_said_and_rebuilt_from_the_drives(station: Station) -> None:
    home = Path(os.environ["ROLLPROOF_HOME"])
    (home / "ledger.sqlite3").write_bytes(b"nothing that a database could be" * 100)
    out = run_line("rolls").out
    assert "The ledger was damaged" in out
    assert "rollproof ledger rebuild" in out
    ran = run_line("ledger", "rebuild", str(station.one), str(station.two))
    assert ran.status == 0
    assert ran.out.count("Roll A003  proven  5 files, 1 record") == 2
    assert ran.last_line.startswith("REBUILT: 2 copies of rolls imported from 2 drives.")
    assert "reading the records of" in ran.err
    assert run_line("rolls").out.startswith("A003")
    assert list(home.glob("ledger-set-aside-*.sqlite3"))  # never deleted


def test_a_rebuild_from_a_drive_that_is_not_there_leaves_the_ledger_alone(station: Station) -> None:
    ran = run_line("ledger", "rebuild", str(station.top / "nowhere"))
    assert ran.status == 1
    assert ran.last_line.startswith("NOT REBUILT")
    assert run_line("rolls").out.startswith("A003")


def test_rebuild_json_is_one_object(station: Station) -> None:
    told = json.loads(run_line("ledger", "rebuild", str(station.one), "--json").out)
    assert [roll["state"] for roll in told["rolls"]] == ["proven"]
    assert told["drives"] == 1


@pytest.mark.parametrize(
    "words", [("ledger",), ("ledger", "rebuild"), ("ledger", "burn"), ("rolls", "--state", "fine")]
)
def test_wrong_usage_has_status_2(words: tuple[str, ...]) -> None:
    assert run_line(*words).status == 2


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_no_name_in_a_record_can_act_on_the_terminal(station: Station, name: str) -> None:
    from rollproof.workflows.rolls import list_rolls  # noqa: PLC0415

    def workflow(**_filters: Any) -> Any:
        result = list_rolls(name="A003")
        (history,) = result.histories
        line = history.timeline[0].model_copy(update=dict.fromkeys(("what", "drive", "who", "detail", "verdict"), name))
        copy = history.copies[0].model_copy(update=dict.fromkeys(("drive", "device", "why", "state"), name))
        roll = history.roll.model_copy(update=dict.fromkeys(("roll", "production", "day", "unit", "permit"), name))
        changed = history.model_copy(update={"roll": roll, "copies": [copy], "timeline": [line]})
        return result.model_copy(update={"rolls": [roll], "histories": [changed]})

    for words in ((), ("A003",)):
        ran = run_line("rolls", *words, list_rolls=workflow)
        assert alive(ran.out + ran.err, terminal=False) == []
