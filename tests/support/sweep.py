"""The sweep: one run for every call of a clean run and every fault, each followed by a clean rerun, all of it checked.

`cases` are all calls that a few clean runs made, named so that threads may take turns as they like (see
`faults.Call`). `make campaign` attacks every one of them in every way. The suite has half a minute for it and takes
every n-th (`due`), another set each day, so that each call has its turn within n days: the seed is the day's number,
stands in the report of what broke, and ROLLPROOF_SWEEP_SEED brings that day back.
"""

from __future__ import annotations

import errno
import os
import random
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from support.faults import LOSABLE, Call, Fail, Fault, Flip, Kill, Lose, Rule, Short
from support.invariants import Copy, check_copy, check_finished, check_result, suspects
from support.stage import Run, Stage

CAMPAIGN = os.environ.get("ROLLPROOF_CAMPAIGN") == "1"
"""Whether every call is attacked instead of a sample, faults are also tried where they can hardly come from (a full
drive that fails a read), and resumed runs are attacked in every way."""
SEED = int(os.environ.get("ROLLPROOF_SWEEP_SEED") or time.time() // 86_400)
"""Decides which calls are due today."""

_TRANSFERS = frozenset({"read_into", "write_from"})
_TAKING = frozenset(
    {
        "create", "open_append", "write_from", "make_folder", "allocate", "truncate", "set_modified", "flush",
        "flush_volume", "rename_no_replace", "rename_over", "close",
    }
)  # fmt: skip
_PROBE = b"/may-wipe-probe.rollproof-partial"
"""The small file that shows whether a drive still answers, after everything else."""
_MUST_SUCCEED = frozenset({"write_from", "flush", "flush_volume", "rename_no_replace", "rename_over"})


@dataclass(frozen=True, slots=True)
class Attack:
    """One kind of fault. `fits` says to which calls it can be done; `lying` that a device then holds something else
    than it was given; `onward` that everything on the same drive (of `operations`, if given) goes wrong from there."""

    name: str
    fault: Fault
    fits: Callable[[Call], bool]
    onward: bool = False
    lying: bool = False
    operations: frozenset[str] = frozenset()


_TAKEN_BACK = LOSABLE | {"create", "open_append"}


def _any(call: Call) -> bool:
    return True


def _taking(call: Call) -> bool:
    return call.operation in _TAKING


def _moving(call: Call) -> bool:
    return call.operation in _TRANSFERS


def _losable(call: Call) -> bool:
    return call.operation in LOSABLE


ATTACKS = (
    Attack("EIO once", Fail(errno.EIO), _any),
    Attack("EIO from then on", Fail(errno.EIO), _any, onward=True),
    Attack("ENOSPC once", Fail(errno.ENOSPC), _any if CAMPAIGN else _taking),
    Attack("ENOSPC from then on", Fail(errno.ENOSPC), _any if CAMPAIGN else _taking, onward=True, operations=_TAKING),
    Attack("EIO but done all the same", Fail(errno.EIO, after=True), lambda call: call.operation in _TAKEN_BACK),
    Attack("killed before", Kill(), _any),
    Attack("killed after", Kill(after=True), lambda call: call.operation in _TAKEN_BACK),
    Attack("short once", Short(), _moving),
    Attack("short from then on", Short(), _moving, onward=True, operations=_TRANSFERS),
    Attack("lost once", Lose(), _losable, lying=True),
    Attack("lost from then on", Lose(), _losable, onward=True, lying=True, operations=LOSABLE),
    Attack("bit flipped", Flip(), _moving, lying=True),
    Attack("first bit flipped", Flip(position=0), _moving, lying=True),
)


def cases(stage: Stage, prepare: Callable[[], object], *, runs: int = 3) -> list[Call]:
    """Every call that some clean run made, each once, in the order of the first."""
    found: dict[tuple[bytes, str, bytes, int], Call] = {}
    for _ in range(runs):
        prepare()
        run = stage.run()
        if run.result is None or run.hung:
            raise AssertionError(f"a clean run failed: {run.crash or 'hung'}")
        for call in run.io.calls:
            found.setdefault(call.identity, call)
    return list(found.values())


RESUME_ATTACKS = tuple(
    attack for attack in ATTACKS if CAMPAIGN or attack.name in {"EIO once", "killed before", "lost once", "bit flipped"}
)
"""For the runs that go on where another one ended: the faults that differ most."""


def due(calls: Sequence[Call], attack: Attack, *, at_most: int, round_name: str = "") -> list[Call]:
    """The calls to be attacked today in this way: all that it fits in a campaign, else about `at_most` of them, evenly
    spread over the run, beginning at another one for each day, attack and round."""
    fitting = [call for call in calls if attack.fits(call)]
    if CAMPAIGN or len(fitting) <= at_most:
        return fitting
    stride = -(-len(fitting) // at_most)
    order = list(range(stride))
    # each attack goes through the offsets in an order of its own: no day has the same calls for all of them
    random.Random(f"{attack.name} {round_name}").shuffle(order)
    return fitting[order[SEED % stride] :: stride]


def place_of(stage: Stage, call: Call) -> str:
    """`card` or the name of the drive a call was made on; empty for neither."""
    for name, path in {"card": stage.card, **stage.drives}.items():
        top = os.fsencode(path)
        if call.drive == top or call.drive.startswith(top + b"/"):
            return name
    return ""


def rule_for(stage: Stage, attack: Attack, call: Call) -> Rule:
    """The rule that does this attack at this call."""
    place = place_of(stage, call)
    scope = os.fsencode({"card": stage.card, **stage.drives}[place]) if place else call.drive
    return Rule(attack.fault, attack.operations, drive=scope, identity=call.identity, onward=attack.onward)


def sweep(stage: Stage, attack: Attack, calls: Iterable[Call], prepare: Callable[[], object]) -> tuple[list[str], int]:
    """Attack each of these calls; everything that was wrong, one sentence each, and how often the fault was reached."""
    wrong: list[str] = []
    reached = 0
    for call in calls:
        prepare()
        before = {name: set(copy.entries) for name, copy in stage.copies().items()}
        run = stage.run([rule_for(stage, attack, call)])
        if not run.io.reached:
            continue
        reached += 1
        where = f"{attack.name} at {place_of(stage, call)} {call.operation} {call.path!r} #{call.occurrence}"
        wrong += [f"{where}: {problem}" for problem in _after_attack(stage, attack, call, run, before)]
        wrong += [f"{where}: then {problem}" for problem in after_rerun(stage)]
    return wrong, reached


def _after_attack(stage: Stage, attack: Attack, call: Call, run: Run, before: dict[str, set[bytes]]) -> Iterator[str]:
    if run.crash:
        yield f"traceback: {run.crash.strip().splitlines()[-1]} [{_last_place(run.crash)}]"
    if run.hung:
        yield "it hung"
    yield from untouched(stage)
    hit = place_of(stage, call)
    for name, folder in stage.folders().items():
        lying = attack.lying and hit in (name, "card")  # what the card said wrongly stands on every drive
        yield from (f"{name}: {problem}" for problem in check_copy(folder, stage.known, lying=lying))
    if run.result is None:
        return
    yield from check_result(run.result, stage.known, stage.folders())
    if run.result.verdict == "refused":
        for name, copy in stage.copies().items():
            if set(copy.entries) != before[name]:
                yield f"refused, and {name} was written to"
        return
    states = run.states()
    if hit in stage.drives:
        if _is_false_success(attack, call, run) and states[hit] == "proven":
            yield f"a failed {call.operation} and {hit} is called proven"
        yield from (
            f"{name} did not finish ({state})" for name, state in states.items() if name != hit and state != "proven"
        )
    elif hit == "card" and not attack.onward and call.path in stage.known.files:
        for at in run.result.rolls[0].destinations:
            if at.files_proven < len(stage.known.files) - 1:
                yield f"one file was hit and only {at.files_proven} are proven on {at.drive}"


def _is_false_success(attack: Attack, call: Call, run: Run) -> bool:
    """Whether the failed call was one whose failure is final for the file it was made on."""
    if not isinstance(attack.fault, Fail):
        return False
    if call.operation not in _MUST_SUCCEED and not (call.operation == "close" and call.writing):
        return False
    hit = next(made.index for made in run.io.calls if made.identity == call.identity)
    if _of_a_signature(call, run, hit) or call.path.endswith(_PROBE):
        return False  # the record is down and flushed by then: that failure is a warning, or makes the answer KEEP
    # a new file under the same name is no retry of the failed one
    return not any(
        (made.operation, made.drive, made.path) == ("create", call.drive, call.path) and made.index > hit
        for made in run.io.calls
    )


def _of_a_signature(call: Call, run: Run, hit: int) -> bool:
    """Whether a call writes a signature, or flushes the folder after one got its name."""
    if call.path.endswith((b".sig", b".sig.rollproof-partial")):
        return True
    renamed = [
        made.path
        for made in run.io.calls
        if made.index < hit and made.operation == "rename_no_replace" and made.path.startswith(call.path + b"/")
    ]
    return call.operation == "flush" and bool(renamed) and renamed[-1].endswith(b".sig")


def after_rerun(stage: Stage) -> Iterator[str]:
    """Run again without a fault: it completes, and copies nothing that was right."""
    before = stage.copies()
    distrusted = {name: suspects(folder) for name, folder in stage.folders().items()}
    right = {
        name: {
            path
            for path in copy.footage
            if path in stage.known.files and path not in distrusted[name] and not copy.right(stage.known, path)
        }
        for name, copy in before.items()
    }
    stage.let_an_hour_pass()
    run = stage.run()
    if run.crash or run.hung or run.result is None:
        yield f"the rerun failed: {run.crash.strip().splitlines()[-1] if run.crash else 'hung'}"
        return
    yield from untouched(stage)
    if run.result.verdict != "proven":
        said = [finding.detail for finding in run.result.rolls[0].findings if finding.severity == "error"]
        for at in run.result.rolls[0].destinations:
            said += [f"{at.drive} {at.state}: {finding.detail}" for finding in at.findings]
        yield f"the rerun says {run.result.verdict}: {'; '.join(said)}"
    for name, folder in stage.folders().items():
        yield from (f"{name}: {problem}" for problem in check_finished(folder, stage.known))
        now = Copy.at(folder)
        for path in right[name]:
            if now.inodes.get(path) != before[name].inodes[path]:
                yield f"{name}: {path!r} was right and was copied again"


def untouched(stage: Stage) -> Iterator[str]:
    """What changed on the card, and of what lay on the drives before."""
    yield from (f"card {change}" for change in stage.known.changes(stage.card))
    for name, path in stage.drives.items():
        for change in stage.strangers[name].changes(path):
            if not change.startswith("new: "):
                yield f"{name}: somebody else's file {change}"


def _last_place(trace: str) -> str:
    lines = [line.strip() for line in trace.splitlines() if line.strip().startswith("File")]
    return lines[-1] if lines else ""
