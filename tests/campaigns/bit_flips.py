"""Bits flipped on the medium after the write, the good block still in the page cache: none may go unnoticed.

Looked for by the offload's own read-back, by `verify`, and by `may-wipe --reread-copies`. Each flip must be told by
name, and no file that was not hit.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random

from campaigns.bench import Figures, Say, silent
from campaigns.orders import SETTINGS
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger
from rollproof.models.events import Emit, Event, Leg, LegStarted
from rollproof.models.requests import Cancel, MayWipeRequest, VerifyRequest
from rollproof.models.results import MayWipeResult, OffloadResult, VerifyResult
from rollproof.station.context import Context
from rollproof.workflows.may_wipe import may_wipe
from rollproof.workflows.offload import offload
from rollproof.workflows.verify import verify
from support.devices import read_direct, read_warm
from support.invariants import Copy, check_copy, check_finished
from support.stage import Stage
from support.sweep import untouched

_KIND = "bit flipped on the medium"
_MOST_AT_ONCE = 4
_ROUNDS_OF_ONE_COPY = 8


@dataclass(frozen=True, slots=True)
class Flip:
    """One bit of one file on one drive."""

    drive: str
    path: bytes
    offset: int
    mask: int

    def do(self, bench: Stage, *, warm: bool = True) -> None:
        """Turn it (and a second time: turn it back). With `warm` the page cache holds the file as it was before."""
        copy = Path(os.fsdecode(os.path.join(os.fsencode(bench.folders()[self.drive]), self.path)))
        if warm:
            read_warm(copy)
        bench.media[self.drive].flip(copy, self.offset, self.mask)

    def __str__(self) -> str:
        return f"{self.drive} {self.path!r} byte {self.offset} bit {self.mask:#04x}"


def flips(chance: Random, bench: Stage) -> list[Flip]:
    """One to four flips in different files of one drive: any bit of any byte, first and last ones often."""
    drive = chance.choice(sorted(bench.drives))
    paths = sorted(path for path, content in bench.known.content.items() if content)
    out = []
    for path in chance.sample(paths, chance.randint(1, _MOST_AT_ONCE)):
        size = len(bench.known.content[path])
        offset = chance.choice([0, size - 1, chance.randrange(size), chance.randrange(size), chance.randrange(size)])
        out.append(Flip(drive, path, offset, 1 << chance.randrange(8)))
    return out


def flip_before_read_back(bench: Stage, *, count: int, seed: int, say: Say = silent) -> Figures:
    """Flips between the last write to a drive and its read-back, then a rerun that must mend what was hit."""
    figures = Figures("flips before the offload's own read-back", seed)
    chance, began = Random(seed), time.monotonic()
    while figures.counts[_KIND] < count:
        bench.clear()
        chosen = flips(chance, bench)
        done: list[Flip] = []
        result = _offload(bench, partial(_before_read_back, bench, chosen, done))
        figures.counts[_KIND] += len(done)
        figures.counts["offloads"] += 1
        where = ", ".join(map(str, chosen))
        figures.wrong += [f"{where}: {problem}" for problem in _after_offload(bench, result, chosen, done)]
        again = _offload(bench, lambda event: None)
        wrong = [] if again.verdict == "proven" else [f"the rerun says {again.verdict}"]
        for name, folder in bench.folders().items():
            wrong += [f"{name}: {problem}" for problem in check_finished(folder, bench.known)]
        figures.counts["mended by the same command"] += not wrong
        figures.wrong += [f"{where}: then {problem}" for problem in wrong]
        say(f"{figures.counts[_KIND]} of {count} flipped before the read-back, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures


def _before_read_back(bench: Stage, chosen: list[Flip], done: list[Flip], event: Event) -> None:
    if isinstance(event, LegStarted) and event.leg is Leg.READ_BACK and event.drive == chosen[0].drive:
        for flip in chosen:
            flip.do(bench)
            done.append(flip)


def _after_offload(bench: Stage, result: OffloadResult, chosen: list[Flip], done: list[Flip]) -> Iterator[str]:
    if len(done) != len(chosen):
        yield "the read-back never began"
    yield from untouched(bench)
    hit = {flip.path for flip in chosen}
    for at in result.rolls[0].destinations:
        folder = bench.folders()[at.drive]
        copy = Copy.at(folder)
        yield from (f"{at.drive}: {why}" for why in check_copy(folder, bench.known, lying=at.drive == chosen[0].drive))
        if at.drive != chosen[0].drive:
            if at.state != "proven":
                yield f"{at.drive} was not hit and is {at.state}"
            continue
        if at.state == "proven":
            yield f"{at.drive} is called proven"
        told = {os.fsencode(row["path"]) for row in copy.records[-1]["files"] if not row["proven"]}
        if told != hit:
            yield f"{at.drive}: the record withholds proof from {told}"
        if at.files_proven != len(bench.known.files) - len(hit):
            yield f"{at.drive}: {at.files_proven} files are called proven"


def flip_before_verify(bench: Stage, *, count: int, seed: int, say: Say = silent) -> Figures:
    """Flips on a proven copy, found by `verify`; turned back, the copy must be proven again."""
    figures = Figures("flips before a verify", seed)
    chance, began = Random(seed), time.monotonic()
    rounds = 0
    while figures.counts[_KIND] < count:
        if rounds % _ROUNDS_OF_ONE_COPY == 0:
            _proven_anew(bench)
        rounds += 1
        chosen = flips(chance, bench)
        where = ", ".join(map(str, chosen))
        for flip in chosen:
            flip.do(bench)
        result = _verify(bench)
        differ = {copy.path: {os.fsencode(path) for path in copy.differ} for copy in result.copies}
        figures.counts[_KIND] += len(chosen)
        figures.counts["verifies"] += 1
        for name, folder in bench.folders().items():
            expected = {flip.path for flip in chosen} if name == chosen[0].drive else set()
            verdict = next((copy.verdict for copy in result.copies if copy.path == str(folder)), "nothing")
            if differ.get(str(folder)) != expected:
                figures.wrong.append(f"{where}: {name}: verify found {differ.get(str(folder))}")
            if (verdict == "proven") != (not expected):
                figures.wrong.append(f"{where}: {name}: verify says {verdict}")
        if result.verdict == "proven" or int(result.status) != 1:
            figures.wrong.append(f"{where}: verify says {result.verdict} with status {int(result.status)}")
        for flip in chosen:
            flip.do(bench, warm=False)
        say(f"{figures.counts[_KIND]} of {count} flipped before a verify, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures


def flip_before_may_wipe(bench: Stage, homes: Path, *, count: int, seed: int, say: Say = silent) -> Figures:
    """Flips on a proven copy whose station answers MAY WIPE: with `--reread-copies` it must say KEEP and name what was
    hit. Turned back and verified, the answer must be MAY WIPE again. `homes` is a folder for stations' ledgers."""
    figures = Figures("flips before may-wipe --reread-copies", seed)
    chance, began = Random(seed), time.monotonic()
    while figures.counts[_KIND] < count:
        # a station that remembers records of a copy that was taken away would not trust its successor
        with open_ledger(homes / f"home-{figures.counts['answers']}") as ledger:
            _proven_anew(bench, ledger)
            for _ in range(_ROUNDS_OF_ONE_COPY):
                _flip_and_ask(bench, ledger, flips(chance, bench), figures)
        say(f"{figures.counts[_KIND]} of {count} flipped before may-wipe, {len(figures.wrong)} wrong")
    figures.seconds = time.monotonic() - began
    return figures


def _flip_and_ask(bench: Stage, ledger: Ledger, chosen: list[Flip], figures: Figures) -> None:
    where = ", ".join(map(str, chosen))
    answer = _may_wipe(bench, ledger)
    if answer.answer != "MAY WIPE":
        figures.wrong.append(f"before {where}: nothing is wrong, and the answer is {answer.answer}: {answer.reasons}")
    for flip in chosen:
        flip.do(bench)
    answer = _may_wipe(bench, ledger)
    figures.counts[_KIND] += len(chosen)
    figures.counts["answers"] += 1
    if answer.answer != "KEEP":
        figures.wrong.append(f"{where}: may-wipe says {answer.answer}")
    if str(chosen[0].drive) not in " ".join(answer.reasons):
        figures.wrong.append(f"{where}: no reason names the drive: {answer.reasons}")
    for flip in chosen:
        flip.do(bench, warm=False)
    result = _verify(bench, ledger)
    if result.verdict != "proven":
        said = [finding.detail for copy in result.copies for finding in copy.findings]
        figures.wrong.append(f"{where}: turned back, verify says {result.verdict}: {'; '.join(said)}")


def _offload(bench: Stage, emit: Emit, ledger: Ledger | None = None) -> OffloadResult:
    return offload(
        bench.request(), Context.of(emit=emit, cancel=Cancel(), drives=bench.places, ledger=ledger, settings=SETTINGS)
    )


def _proven_anew(bench: Stage, ledger: Ledger | None = None) -> None:
    bench.clear()
    result = _offload(bench, lambda event: None, ledger)
    if result.verdict != "proven":
        raise AssertionError(f"a clean offload is {result.verdict}")
    for name, folder in bench.folders().items():
        for path, content in bench.known.content.items():
            if read_direct(os.path.join(os.fsencode(folder), path)) != content:
                raise AssertionError(f"{name}: {path!r} is wrong before anything was flipped")


def _verify(bench: Stage, ledger: Ledger | None = None) -> VerifyResult:
    request = VerifyRequest(tuple(os.fsencode(folder) for folder in bench.folders().values()))
    return verify(
        request,
        Context.of(emit=lambda event: None, cancel=Cancel(), drives=bench.places, ledger=ledger, settings=SETTINGS),
    )


def _may_wipe(bench: Stage, ledger: Ledger) -> MayWipeResult:
    request = MayWipeRequest(
        os.fsencode(bench.card), reread_copies=True, working_folder=os.fsencode(bench.card.parent)
    )  # fmt: skip
    return may_wipe(
        request,
        Context.of(emit=lambda event: None, cancel=Cancel(), drives=bench.places, ledger=ledger, settings=SETTINGS),
    )
