"""The power of the whole station fails after a flush of an offload, with the journal's end flushed and without.

After every other flush in the suite, those between on the next day and with the other kind of journal; after every one
in `make campaign` (cut-after-syncs), and here with ROLLPROOF_CAMPAIGN=1.

Shown for each: nothing empty, half or wrong stands under a final name on either drive; what a record proves is there;
the rerun completes and copies nothing twice that was right.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.devices import Devices
from support.faults import Call, Kill
from support.invariants import check_copy
from support.stage import Stage, real_stage
from support.sweep import CAMPAIGN, SEED, Attack, after_rerun, cases, place_of, rule_for, untouched

pytestmark = pytest.mark.device

FLUSH = Attack("power cut", Kill(after=True), lambda call: call.operation in ("flush", "flush_volume"))


@pytest.fixture(params=["ext4", "xfs"])
def place(request: pytest.FixtureRequest, devices: Devices) -> Iterator[Stage]:
    yield real_stage(devices, one=request.param, two=request.param, in_memory=True)


def _flushes(place: Stage) -> list[Call]:
    return [call for call in cases(place, place.clear, runs=2) if FLUSH.fits(call) and place_of(place, call) == "one"]


@pytest.mark.timeout(600)
@pytest.mark.parametrize("log_flushed", [True, False], ids=["journal-flushed", "journal-lost"])
def test_a_power_cut_after_any_flush_breaks_no_invariant(place: Stage, log_flushed: bool) -> None:
    flushes = _flushes(place)
    assert len(flushes) > 8, "an offload flushes files, folders, records"
    wrong: list[str] = []
    reached = 0
    attacked = flushes if CAMPAIGN else flushes[(SEED + log_flushed) % 2 :: 2]
    for call in attacked:
        place.clear()
        run = place.run([rule_for(place, FLUSH, call)])
        reached += run.io.reached
        for name in place.drives:
            place.media[name].cut_power(log_flushed=log_flushed)
        for name in place.drives:
            place.media[name].replug()
        where = f"seed {SEED}, after flush of {call.path!r} #{call.occurrence}"
        for name, folder in place.folders().items():
            wrong += [f"{where}: {name}: {problem}" for problem in check_copy(folder, place.known)]
        wrong += [f"{where}: {problem}" for problem in untouched(place)]
        wrong += [f"{where}: then {problem}" for problem in after_rerun(place)]
    assert not wrong, f"{len(wrong)} broken:\n" + "\n".join(wrong[:30])
    assert reached >= len(attacked) * 0.9


@pytest.mark.parametrize("log_flushed", [True, False], ids=["journal-flushed", "journal-lost"])
def test_a_power_cut_right_after_the_verdict_loses_nothing_of_what_was_said(place: Stage, log_flushed: bool) -> None:
    run = place.run()
    assert run.result is not None
    assert run.result.verdict == "proven"
    for name in place.drives:
        place.media[name].cut_power(log_flushed=log_flushed)
    for name, folder in place.folders().items():
        place.media[name].replug()
        assert check_copy(folder, place.known) == []
        assert (folder / "rollproof").is_dir()
    assert list(after_rerun(place)) == []
