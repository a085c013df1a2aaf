"""Every I/O call of a verify goes wrong once, in every way that matters to it.

Shown for each: no traceback, no hang, the copies untouched, no broken record; a bit that was read wrong is never called
proven; the next verify is clean again.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.faults import Call
from support.invariants import Copy, check_copy
from support.stage import Stage, stage
from support.sweep import ATTACKS, Attack, place_of, rule_for

ATTACKS_ON_VERIFY = [
    attack
    for attack in ATTACKS
    if attack.name in {"EIO once", "EIO from then on", "killed before", "short once", "bit flipped"}
]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("stage")) as made:
        yield made


def _wrong_after(place: Stage, attack: Attack, inodes: dict[str, dict[bytes, int]]) -> Iterator[str]:
    for name, folder in place.folders().items():
        yield from (f"{name}: {problem}" for problem in check_copy(folder, place.known))
        now = Copy.at(folder)
        for path in place.known.files:
            if now.inodes.get(path) != inodes[name][path]:
                yield f"{name}: {path!r} was exchanged"


@pytest.mark.timeout(600)
@pytest.mark.parametrize("attack", ATTACKS_ON_VERIFY, ids=lambda attack: attack.name.replace(" ", "-"))
def test_no_call_of_a_verify_can_break_an_invariant(
    place: Stage, attack: Attack, tmp_path_factory: pytest.TempPathFactory
) -> None:
    place.clear()
    first = place.run()
    assert first.result is not None
    assert first.result.verdict == "proven", first.crash
    kept = tmp_path_factory.mktemp("kept")
    place.keep(kept)
    calls: dict[tuple[bytes, str, bytes, int], Call] = {}
    for _ in range(2):
        place.restore(kept)
        calls.update({call.identity: call for call in place.verify().io.calls})
    wrong: list[str] = []
    reached = 0
    for call in calls.values():
        if place_of(place, call) != "one" or not attack.fits(call):
            continue
        place.restore(kept)
        inodes = {name: copy.inodes for name, copy in place.copies().items()}
        run = place.verify([rule_for(place, attack, call)])
        if not run.io.reached:
            continue
        reached += 1
        where = f"{attack.name} at {call.operation} {call.path!r} #{call.occurrence}"
        if run.crash:
            wrong.append(f"{where}: {run.crash.strip().splitlines()[-1]}")
        if run.hung:
            wrong.append(f"{where}: it hung")
        wrong += [f"{where}: {problem}" for problem in _wrong_after(place, attack, inodes)]
        flipped = attack.name == "bit flipped" and call.operation == "read_into" and call.path[5:] in place.known.files
        if flipped and run.result is not None and run.result.copies[0].verdict == "proven":
            wrong.append(f"{where}: read wrong and called proven")
        if run.result is not None and (run.result.verdict == "proven") != (int(run.result.status) == 0):
            wrong.append(f"{where}: {run.result.verdict} with status {int(run.result.status)}")
        place.let_an_hour_pass()
        again = place.verify()
        if again.crash or again.result is None:
            wrong.append(f"{where}: then {again.crash.strip().splitlines()[-1:]}")
        elif again.result.verdict != "proven" and not (
            # what a device stored wrongly stays wrong: then the run that wrote it has to be the one that says so
            attack.lying and call.operation == "write_from" and run.result and run.result.verdict != "proven"
        ):
            said = [finding.detail for copy in again.result.copies for finding in copy.findings]
            wrong.append(f"{where}: then {again.result.verdict}: {said}")
        wrong += [f"{where}: then {problem}" for problem in _wrong_after(place, attack, inodes)]
        wrong += [
            f"{where}: left over {path!r}"
            for copy in place.copies().values()
            for path in copy.entries
            if path.endswith(b".rollproof-partial")
        ]
    assert reached
    assert not wrong, f"{len(wrong)} broken:\n" + "\n".join(wrong[:40])
