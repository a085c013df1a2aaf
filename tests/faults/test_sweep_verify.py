"""The I/O calls of a verify go wrong, one by one, in every way.

Here a sample of the calls, another one each day; every one of them in `make campaign` (see `support.sweep`).

Shown for each: no traceback, no hang, the copies untouched, no broken record; a bit that was read wrong is never called
proven; a paper that was stored wrong is taken away again and named; the next verify is clean again.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.faults import Call
from support.invariants import Copy, check_copy
from support.stage import Stage, VerifyRun, stage
from support.sweep import ATTACKS, CAMPAIGN, SEED, Attack, due, place_of, rule_for

AT_MOST = 4
"""Calls attacked in one way."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("stage")) as made:
        yield made


@pytest.fixture(scope="module")
def kept(place: Stage, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two proven copies."""
    place.clear()
    first = place.run()
    assert first.result is not None
    assert first.result.verdict == "proven", first.crash
    folder = tmp_path_factory.mktemp("kept")
    place.keep(folder)
    return folder


@pytest.fixture(scope="module")
def calls(place: Stage, kept: Path) -> list[Call]:
    """What a verify does on one of the two drives."""
    found: dict[tuple[bytes, str, bytes, int], Call] = {}
    for _ in range(2):
        place.restore(kept)
        found.update({call.identity: call for call in place.verify().io.calls})
    return [call for call in found.values() if place_of(place, call) == "one"]


def _wrong_after(place: Stage, inodes: dict[str, dict[bytes, int]]) -> Iterator[str]:
    for name, folder in place.folders().items():
        yield from (f"{name}: {problem}" for problem in check_copy(folder, place.known))
        now = Copy.at(folder)
        for path in place.known.files:
            if now.inodes.get(path) != inodes[name][path]:
                yield f"{name}: {path!r} was exchanged"


def _wrong_at_once(place: Stage, attack: Attack, call: Call, run: VerifyRun) -> Iterator[str]:
    if run.crash:
        yield run.crash.strip().splitlines()[-1]
    if run.hung:
        yield "it hung"
    if run.result is None:
        return
    if (run.result.verdict == "proven") != (int(run.result.status) == 0):
        yield f"{run.result.verdict} with status {int(run.result.status)}"
    if attack.name not in ("bit flipped", "first bit flipped"):
        return
    footage = call.operation == "read_into" and call.path in place.known.files
    paper = call.operation == "write_from"
    if (footage or paper) and run.result.copies[0].verdict == "proven":
        yield "a bit was turned, and it is called proven"
    if paper:
        name = call.path.rpartition(b"/")[2].removesuffix(b".rollproof-partial").decode()
        kinds = name.rpartition(".")[2]
        if not any(f".{kinds}" in finding.path + finding.detail for finding in run.result.copies[0].findings):
            yield "the paper that was stored wrong is not named"


def _wrong_later(place: Stage) -> Iterator[str]:
    place.let_an_hour_pass()
    again = place.verify()
    if again.crash or again.result is None:
        yield f"then {again.crash.strip().splitlines()[-1:]}"
    elif again.result.verdict != "proven":
        said = [finding.detail for copy in again.result.copies for finding in copy.findings]
        yield f"then {again.result.verdict}: {said}"
    for copy in place.copies().values():
        yield from (f"left over {path!r}" for path in copy.entries if path.endswith(b".rollproof-partial"))


@pytest.mark.timeout(7200 if CAMPAIGN else 300)
@pytest.mark.parametrize("attack", ATTACKS, ids=lambda attack: attack.name.replace(" ", "-"))
def test_no_call_of_a_verify_can_break_an_invariant(
    place: Stage, attack: Attack, kept: Path, calls: list[Call]
) -> None:
    wrong: list[str] = []
    reached = 0
    attacked = due(calls, attack, at_most=AT_MOST)
    for call in attacked:
        place.restore(kept)
        inodes = {name: copy.inodes for name, copy in place.copies().items()}
        run = place.verify([rule_for(place, attack, call)])
        if not run.io.reached:
            continue
        reached += 1
        where = f"{attack.name} at {call.operation} {call.path!r} #{call.occurrence}"
        wrong += [f"{where}: {problem}" for problem in _wrong_at_once(place, attack, call, run)]
        wrong += [f"{where}: {problem}" for problem in _wrong_after(place, inodes)]
        wrong += [f"{where}: {problem}" for problem in _wrong_later(place)]
        wrong += [f"{where}: then {problem}" for problem in _wrong_after(place, inodes)]
    assert not wrong, f"{len(wrong)} broken (seed {SEED}):\n" + "\n".join(wrong[:40])
    # a flip in a read that finds the end of the file is none
    assert reached >= len(attacked) * 0.25, f"only {reached} of {len(attacked)} calls were reached (seed {SEED})"
