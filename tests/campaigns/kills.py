"""SIGKILL at random instants of offload and verify, by the hundred; each is followed by the same command again."""

from __future__ import annotations

import statistics
import time
from random import Random

from campaigns.bench import Figures, Found, Say, broken, offload_order, phase, silent, verify_order
from campaigns.orders import Done, Order, Orders
from support.counting import FAULTS
from support.invariants import check_finished
from support.stage import ROLL, Stage
from support.station import Station, Word

_KIND = "SIGKILL at a random instant"
_MOST_IN_A_ROW = 4
_LONGEST_CHAIN = 20


class _Kills:
    """Runs one order again and again, and judges what each run leaves."""

    def __init__(self, bench: Stage, orders: Orders, figures: Figures) -> None:
        self.bench = bench
        self.orders = orders
        self.figures = figures
        self.found = Found.on(bench)

    @property
    def kills(self) -> int:
        """How many there were."""
        return self.figures.counts[_KIND]

    def clear(self) -> None:
        """Begin anew with empty drives."""
        self.bench.clear()
        self.found = Found.on(self.bench)

    def run(self, order: Order, kill_after: float | None = None) -> Done:
        """Run, kill if there is a time for it, judge."""
        before = self.found
        done = self.orders.run(order, kill_after=kill_after)
        self.found = Found.on(self.bench)
        wrong = list(broken(self.bench, before, self.found))
        if done.crash:
            wrong.append(done.crash.strip().splitlines()[-1])
        elif not done.killed and done.verdict != "proven":
            wrong.append(f"a run that was left alone says {done.verdict!r}: {'; '.join(done.said)}")
        if done.killed:
            FAULTS.add(_KIND)
            self.figures.counts[_KIND] += 1
        self.figures.wrong += [f"at kill {self.kills}: {problem}" for problem in wrong]
        return done

    def complete(self, order: Order) -> None:
        """Run without a kill: everything is there afterwards, nothing is left over."""
        self.bench.let_an_hour_pass()
        self.found = Found.on(self.bench)
        self.figures.counts["completed by the same command"] += not self.run(order).killed
        for name, folder in self.bench.folders().items():
            wrong = check_finished(folder, self.bench.known)
            numbers = sorted(int(record["sequence"]) for record in self.found.copies[name].records)
            if numbers != list(range(1, len(numbers) + 1)):
                wrong.append(f"the records are numbered {numbers}")
            self.figures.wrong += [f"at kill {self.kills}: {name}: {problem}" for problem in wrong]


def kill_offloads(bench: Stage, orders: Orders, *, kills: int, seed: int, say: Say = silent) -> Figures:
    """Offloads in forked processes of their own, killed up to four times in a row, then left to complete."""
    figures = Figures("SIGKILL of offloads (forked processes)", seed)
    chance, began = Random(seed), time.monotonic()
    order = offload_order(bench)
    whole, sealed = _usual_seconds(bench, orders)
    work = _Kills(bench, orders, figures)
    while work.kills < kills:
        work.clear()
        for _ in range(chance.randint(1, _MOST_IN_A_ROW)):
            # what follows the last seal (the ledger, the answer for the card) takes long and holds little
            late = chance.random() < 0.2
            instant = chance.uniform(sealed, whole * 1.05) if late else chance.uniform(0, sealed * 1.05)
            if not work.run(order, instant).killed:
                break
            for copy in work.found.copies.values():
                figures.counts[f"drive found: {phase(copy)}"] += 1
        work.complete(order)
        say(f"{work.kills} of {kills} offloads killed, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures


def kill_verifies(bench: Stage, orders: Orders, *, kills: int, seed: int, say: Say = silent) -> Figures:
    """Verifies in forked processes of their own, killed, then left to complete, over a growing chain of records."""
    figures = Figures("SIGKILL of verifies (forked processes)", seed)
    chance, began = Random(seed), time.monotonic()
    order = verify_order(bench)
    usual, _ = _usual_seconds(bench, orders)
    work = _Kills(bench, orders, figures)
    while work.kills < kills:
        if not 0 < work.found.longest_chain < _LONGEST_CHAIN:
            work.clear()
            work.complete(offload_order(bench))
        for _ in range(chance.randint(1, _MOST_IN_A_ROW)):
            before = work.found
            done = work.run(order, chance.uniform(0, usual * 1.05))
            if done.killed:
                grown = work.found.pieces - before.pieces
                figures.counts[f"records and manifests appended before the kill: {grown}"] += 1
            else:
                usual = 0.7 * usual + 0.3 * done.seconds
        work.complete(order)
        say(f"{work.kills} of {kills} verifies killed, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures


def kill_commands(bench: Stage, station: Station, *, kills: int, seed: int, say: Say = silent) -> Figures:
    """The real command, offload and verify in turn, killed with everything it started."""
    figures = Figures("SIGKILL of the real command", seed)
    chance, began = Random(seed), time.monotonic()
    drives = list(bench.drives.values())
    offload: tuple[Word, ...] = ("offload", bench.card, "--to", drives[0], "--to", drives[1], "--roll", ROLL, "--json")
    verify: tuple[Word, ...] = ("verify", *drives, "--json")
    bench.clear()
    usual = [station.run(*words).seconds for words in (offload, verify)]
    while figures.counts[_KIND] < kills:
        bench.clear()
        for turn, words in enumerate((offload, verify)):
            before = Found.on(bench)
            # nothing is done yet while Python starts: most kills go where the work is
            ended = station.run_and_kill(usual[turn] * chance.uniform(0.3, 1.02), *words)
            after = Found.on(bench)
            wrong = list(broken(bench, before, after))
            if ended.killed:
                figures.counts[_KIND] += 1
                figures.counts[f"{_KIND}, {words[0]!s}"] += 1
            bench.let_an_hour_pass()
            after = Found.on(bench)
            rerun = station.run(*words)
            wrong += broken(bench, after, Found.on(bench))
            if rerun.status != 0:
                wrong.append(f"the rerun of {words[0]!s} ended with {rerun.status}: {rerun.text[-400:]}")
            usual[turn] = 0.7 * usual[turn] + 0.3 * rerun.seconds
            for name, folder in bench.folders().items():
                wrong += [f"{name}: {problem}" for problem in check_finished(folder, bench.known)]
            figures.counts["completed by the same command"] += rerun.status == 0
            figures.wrong += [f"at kill {figures.counts[_KIND]}: {problem}" for problem in wrong]
        say(f"{figures.counts[_KIND]} of {kills} commands killed, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures


def _usual_seconds(bench: Stage, orders: Orders) -> tuple[float, float]:
    """How long an offload takes when nothing is in its way: all of it, and to the last seal."""
    runs = []
    for _ in range(3):
        bench.clear()
        runs.append(orders.run(offload_order(bench)))
        if runs[-1].verdict != "proven":
            raise AssertionError(f"a clean run failed: {runs[-1].crash or runs[-1].said}")
    bench.clear()
    return statistics.median(run.seconds for run in runs), statistics.median(run.sealed_seconds for run in runs)
