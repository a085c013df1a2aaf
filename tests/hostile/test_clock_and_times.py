"""A clock that jumps backwards, and drives that keep no times: no verdict depends on either."""

from __future__ import annotations

import errno
import os
import re
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

import pytest

import rollproof.workflows.may_wipe
import rollproof.workflows.offload
import rollproof.workflows.verify  # noqa: F401 - with all they ask for the time
from rollproof.records.chain import read_chain
from rollproof.storage.system import system_io
from support.counting import FAULTS
from support.devices import Devices
from support.faults import Fail, Lose, Rule
from support.stage import stage
from workflows.station import Station
from workflows.wipe_bench import Bench


class Clock(datetime):
    """The station's clock, set wrong at will."""

    wrong_by = timedelta()

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
        """The wrong time."""
        return datetime.now(tz) + cls.wrong_by


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[type[Clock]]:
    """There is no other way to set one process's clock: every module that asks for the time asks this one."""
    asking = [
        module
        for name, module in sys.modules.items()
        if name.startswith("rollproof.") and vars(module).get("datetime") is datetime
    ]
    assert asking
    for module in asking:
        monkeypatch.setattr(module, "datetime", Clock)
    yield Clock
    Clock.wrong_by = timedelta()


JUMPS = (
    timedelta(),
    timedelta(hours=-1),
    timedelta(days=-400),
    timedelta(days=-400),
    timedelta(days=3650),
    timedelta(),
)


def test_a_clock_that_jumps_back_and_forth_changes_no_verdict_and_breaks_no_chain(
    tmp_path: Path, clock: type[Clock]
) -> None:
    station = Station(tmp_path)
    assert station.offload_one().verdict == "proven"
    for jump in JUMPS:
        clock.wrong_by = jump
        FAULTS.add("clock jumped")
        verified = station.verify()
        assert verified.verdict == "proven", station.kinds(verified)
        assert station.kinds(verified) == set()
    clock.wrong_by = JUMPS[2]
    again = station.offload()
    assert again.rolls[0].verdict == "proven"
    for drive in (station.one, station.two):
        records = station.records(drive)
        assert [record["sequence"] for record in records] == list(range(1, len(records) + 1))
        moments = [datetime.fromisoformat(record["written_at"]) for record in records]
        assert moments != sorted(moments), "the clock did jump"
        io = system_io()
        roll = io.open_root(os.fsencode(station.roll(drive)))
        assert read_chain(io, roll).findings == ()
        io.close(roll)
        names = sorted(path.name for path in (station.roll(drive) / "ascmhl").glob("*.mhl"))
        assert [int(name[:4]) for name in names] == list(range(1, len(names) + 1))
        assert all(re.fullmatch(r"\d{4}_A003_\d{4}-\d\d-\d\d_\d{6}Z\.mhl", name) for name in names)


@pytest.mark.device
@pytest.mark.timeout(200)
def test_the_answer_for_a_card_trusts_no_clock(devices: Devices, tmp_path: Path, clock: type[Clock]) -> None:
    """Attached copies count whatever the clock says; an absent one only by what was seen lately, and never by what
    will be seen tomorrow."""
    bench = Bench(devices, tmp_path)
    bench.sweep()
    bench.offload()
    assert bench.ask().answer == "MAY WIPE"
    bench.two.unplug()
    for jump, answer in ((timedelta(), "MAY WIPE"), (timedelta(days=-1), "KEEP"), (timedelta(hours=25), "KEEP")):
        clock.wrong_by = jump
        FAULTS.add("clock jumped")
        assert bench.ask().answer == answer, jump
    bench.two.plug_in()
    for jump in JUMPS:
        clock.wrong_by = jump
        FAULTS.add("clock jumped")
        assert bench.ask().answer == "MAY WIPE", jump


@pytest.mark.parametrize(
    "fault", [Fail(errno.EPERM), Fail(errno.ENOSYS), Lose()], ids=["refused", "unknown", "ignored"]
)
def test_a_drive_that_keeps_no_times_is_never_proven_and_the_other_is(tmp_path: Path, fault: Fail | Lose) -> None:
    with stage(tmp_path) as place:
        run = place.run([Rule(fault, "set_modified", drive=os.fsencode(place.drives["one"]), onward=True)])
        assert run.io.reached
        assert not run.crash, run.crash
        assert run.states()["one"] != "proven"
        assert run.states()["two"] == "proven"
        assert run.result is not None
        at = next(at for at in run.result.rolls[0].destinations if at.drive == "one")
        assert any(finding.severity == "error" for finding in at.findings)
