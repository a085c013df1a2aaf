"""The power goes after every sync of a small offload, on ext4 and xfs at once, with the journal's end and without it.

The offload runs in a process of its own. Right after the call it shuts both file systems down, so that whatever was
not on the medium never will be, and dies. Then the drives are plugged in again, which replays their journals.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from random import Random

from campaigns.bench import Figures, Found, Say, broken, offload_order, phase, settle, silent
from campaigns.orders import CHANGES, SYNCS, Cut, Done, Order, Orders
from support.counting import FAULTS
from support.invariants import check_finished
from support.stage import Stage

_FLAVOURS = {True: "power cut, journal flushed", False: "power cut, journal lost"}


class _Cuts:
    """Cuts, plugs in again, judges, and lets the same command complete."""

    def __init__(self, bench: Stage, orders: Orders, figures: Figures) -> None:
        self.bench = bench
        self.orders = orders
        self.figures = figures
        self.where = ""

    def clean_calls(self, operations: Sequence[str]) -> dict[str, int]:
        """How many such calls an offload makes on each drive when nothing is in its way."""
        self.bench.clear()
        done = self._run(Cut("", 0, True, operations))
        if done.verdict != "proven":
            raise AssertionError(f"a clean run failed: {done.crash or done.said}")
        return {name: done.calls[str(path)] for name, path in self.bench.drives.items()}

    def cut(self, drive: str, nth: int, operations: Sequence[str], *, log_flushed: bool) -> bool:
        """One run with the power going; whether the instant was reached. What was proven must be there afterwards."""
        self.where = f"{_FLAVOURS[log_flushed]} after call {nth} on {drive}"
        before = Found.on(self.bench)
        done = self._run(Cut(str(self.bench.drives[drive]), nth, log_flushed, operations))
        if not done.killed:
            self._wrong([done.crash.strip().splitlines()[-1]] if done.crash else [])
            return False
        FAULTS.add(_FLAVOURS[log_flushed], len(self.bench.drives))
        self.figures.counts[_FLAVOURS[log_flushed]] += 1
        self.plug_in_again()
        found = Found.on(self.bench)
        for name, copy in found.copies.items():
            self.figures.counts[f"{self.bench.media[name].file_system} found: {phase(copy)}"] += 1
        self._wrong([*broken(self.bench, before, found), *self._lost(done, found)])
        return True

    def plug_in_again(self) -> None:
        """Both drives, replaying their journals; what the system knew of them is asked anew."""
        for name in self.bench.drives:
            self.bench.media[name].replug()
        settle(self.bench)

    def complete(self) -> None:
        """The same command again completes, and copies nothing again that was whole."""
        self.bench.let_an_hour_pass()
        before = Found.on(self.bench)
        done = self._run(None)
        after = Found.on(self.bench)
        wrong = list(broken(self.bench, before, after))
        if done.verdict != "proven":
            wrong.append(f"the rerun says {done.verdict!r}: {done.crash or '; '.join(done.said)}")
        for name, folder in self.bench.folders().items():
            wrong += [f"{name}: {problem}" for problem in check_finished(folder, self.bench.known)]
        self.figures.counts["completed by the same command"] += done.verdict == "proven"
        self._wrong([f"then {problem}" for problem in wrong])

    def _run(self, cut: Cut | None) -> Done:
        order: Order = replace(offload_order(self.bench), cut=cut)
        return self.orders.run(order)

    def _lost(self, done: Done, found: Found) -> Iterator[str]:
        """What was said to be on a drive before the power went, and is not there now."""
        for name, copy in found.copies.items():
            if name in done.written:
                self.figures.counts["drives called written before the cut"] += 1
                yield from (
                    f"{name}: called written before: {why}"
                    for path in self.bench.known.files
                    for why in copy.right(self.bench.known, path)
                )
            if name in done.sealed:
                self.figures.counts["drives called proven before the cut"] += 1
                if not any(record.get("copy", {}).get("state") == "proven" for record in copy.records):
                    yield f"{name}: called proven before, and no record says so"

    def _wrong(self, problems: Sequence[str]) -> None:
        self.figures.wrong += [f"{self.where}: {problem}" for problem in problems]


def cut_after_every_call(
    bench: Stage,
    orders: Orders,
    *,
    flavours: Sequence[bool] = (True, False),
    operations: Sequence[str] = SYNCS,
    say: Say = silent,
) -> Figures:
    """One cut after each of these calls of an offload, on either drive, with either flavour. Nothing is sampled."""
    what = "every sync" if operations == SYNCS else "every call that changes something"
    figures = Figures(f"power cut after {what}", 0)
    began = time.monotonic()
    work = _Cuts(bench, orders, figures)
    for drive, calls in work.clean_calls(operations).items():
        figures.counts[f"calls in a clean run, {bench.media[drive].file_system}"] = calls
        for log_flushed in flavours:
            for nth in range(1, calls + 1):
                bench.clear()
                if work.cut(drive, nth, operations, log_flushed=log_flushed):
                    work.complete()
                else:
                    figures.counts["instant not reached"] += 1
            say(f"{drive}, {_FLAVOURS[log_flushed]}: {calls} calls, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures


def cut_again_and_again(bench: Stage, orders: Orders, *, cuts: int, seed: int, say: Say = silent) -> Figures:
    """Cuts at random calls, up to four in a row: the power goes in the runs that resume, too."""
    figures = Figures("power cuts at random calls, in resumed runs too", seed)
    chance, began = Random(seed), time.monotonic()
    work = _Cuts(bench, orders, figures)
    usual = work.clean_calls(CHANGES)
    done = 0
    while done < cuts:
        bench.clear()
        for _ in range(chance.randint(1, 4)):
            drive = chance.choice(sorted(usual))
            if not work.cut(drive, chance.randint(1, usual[drive]), CHANGES, log_flushed=chance.random() < 0.5):
                break
            done += 1
        work.complete()
        say(f"{done} of {cuts} cuts, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures
