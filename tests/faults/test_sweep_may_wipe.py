"""The I/O calls of a question whether the card may be wiped go wrong, one by one, in every way.

Here a sample of the calls, another one each day; every one of them in `make campaign` (see `support.sweep`).

Shown for each: an answer and no traceback; MAY WIPE only where nothing that was asked of the card or a drive failed
for good, and only with a whole permit on every drive; the card untouched; the question asked again is answered well.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.faults import Call, Fail, Flip
from support.invariants import Copy, check_copy
from support.stage import Stage, WipeRun, stage
from support.sweep import ATTACKS, CAMPAIGN, SEED, Attack, due, place_of, rule_for, untouched

AT_MOST = 4
"""Calls attacked in one way."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("stage")) as made:
        yield made


@pytest.fixture(scope="module")
def kept(place: Stage, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two proven copies, and the station that made them."""
    place.clear()
    first = place.run()
    assert first.result is not None
    assert first.result.verdict == "proven", first.crash
    folder = tmp_path_factory.mktemp("kept")
    place.keep(folder)
    shutil.copytree(place.home, folder / "station")
    return folder


def bring_back(place: Stage, kept: Path) -> None:
    place.restore(kept)
    place.move_to(kept / "station")


@pytest.fixture(scope="module")
def calls(place: Stage, kept: Path) -> list[Call]:
    found: dict[tuple[bytes, str, bytes, int], Call] = {}
    for _ in range(2):
        bring_back(place, kept)
        run = place.may_wipe()
        assert run.result is not None, run.crash
        assert run.result.answer == "MAY WIPE", run.result.reasons
        found.update({call.identity: call for call in run.io.calls})
    return [call for call in found.values() if place_of(place, call) in ("card", "one")]


def _wrong_at_once(place: Stage, attack: Attack, call: Call, run: WipeRun) -> Iterator[str]:
    if run.crash:
        yield run.crash.strip().splitlines()[-1]
    if run.hung:
        yield "it hung"
    yield from untouched(place)
    for name, folder in place.folders().items():
        yield from (f"{name}: {problem}" for problem in check_copy(folder, place.known))
    if run.result is None:
        return
    if (run.result.answer == "MAY WIPE") != (int(run.result.status) == 0):
        yield f"{run.result.answer} with status {int(run.result.status)}"
    if run.result.answer == "KEEP" and not run.result.reasons:
        yield "KEEP, and nobody says why"
    if run.result.answer != "MAY WIPE":
        return
    failed = isinstance(attack.fault, Fail)
    final = failed and call.operation in ("write_from", "flush", "rename_no_replace")
    if final and b".sig" not in call.path and not _of_a_signature(call, run):
        yield f"a failed {call.operation}, and MAY WIPE"
    if isinstance(attack.fault, Flip) and call.operation == "write_from" and b"may-wipe-probe" not in call.path:
        yield "a paper is stored wrong, and MAY WIPE"
    for name, copy in place.copies().items():
        if not any(record["kind"] == "permit" for record in copy.records):
            yield f"MAY WIPE without a permit on {name}"


def _of_a_signature(call: Call, run: WipeRun) -> bool:
    """Whether a flush is that of a folder after a signature got its name in it: that one fails as a warning."""
    hit = next(made.index for made in run.io.calls if made.identity == call.identity)
    named = [made.path for made in run.io.calls if made.index < hit and made.operation == "rename_no_replace"]
    return call.operation == "flush" and bool(named) and named[-1].endswith(b".sig")


@pytest.mark.timeout(7200 if CAMPAIGN else 300)
@pytest.mark.parametrize("attack", ATTACKS, ids=lambda attack: attack.name.replace(" ", "-"))
def test_no_call_of_the_question_can_make_a_wrong_answer(
    place: Stage, attack: Attack, kept: Path, calls: list[Call]
) -> None:
    wrong: list[str] = []
    reached = 0
    attacked = due(calls, attack, at_most=AT_MOST, round_name="may-wipe")
    for call in attacked:
        bring_back(place, kept)
        inodes = {name: copy.inodes for name, copy in place.copies().items()}
        run = place.may_wipe([rule_for(place, attack, call)])
        if not run.io.reached:
            continue
        reached += 1
        where = f"{attack.name} at {place_of(place, call)} {call.operation} {call.path!r} #{call.occurrence}"
        wrong += [f"{where}: {problem}" for problem in _wrong_at_once(place, attack, call, run)]
        again = place.verify()
        if again.result is None or again.result.verdict != "proven":
            said = [found.detail for copy in again.result.copies for found in copy.findings] if again.result else []
            wrong.append(f"{where}: then a verify says {again.crash[-200:]}{said}")
        answer = place.may_wipe()
        if answer.result is None or answer.result.answer != "MAY WIPE":
            wrong.append(f"{where}: then {answer.crash[-200:]}{answer.result and answer.result.reasons}")
        for name, folder in place.folders().items():
            now = Copy.at(folder)
            if any(now.inodes.get(path) != inodes[name][path] for path in place.known.files):
                wrong.append(f"{where}: {name}: a copy was exchanged")
    assert not wrong, f"{len(wrong)} broken (seed {SEED}):\n" + "\n".join(wrong[:40])
    assert reached or not attacked
