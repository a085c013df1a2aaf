"""`make campaign`: thousands of kills, power cuts and flipped bits. Takes about an hour on two cores; needs root.

    PYTHONPATH=tests python -m campaigns.run [--seed N] [--scale F] [--report FILE] [NAME ...]

Every figure is printed and, where asked for, written as JSON. The exit status is 1 when anything was wrong.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from campaigns import bit_flips, kills, power_cuts, wipe_stories
from campaigns.bench import Figures, Say, make_bench
from campaigns.orders import CHANGES, Orders
from support.devices import Devices, why_no_devices
from support.stage import Stage
from support.station import Station

Campaign = Callable[[Stage, Path, Callable[[int], int], int, Say], Figures]


def _kill_offloads(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    with Orders(place / "home") as orders:
        return kills.kill_offloads(bench, orders, kills=scaled(500), seed=seed, say=say)


def _kill_verifies(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    with Orders(place / "home") as orders:
        return kills.kill_verifies(bench, orders, kills=scaled(400), seed=seed, say=say)


def _kill_commands(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    for name in ("home", "desk"):
        (place / name).mkdir()
    return kills.kill_commands(bench, Station(place / "home", place / "desk"), kills=scaled(100), seed=seed, say=say)


def _cut_after_syncs(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    with Orders(place / "home") as orders:
        return power_cuts.cut_after_every_call(bench, orders, say=say)


def _cut_after_changes(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    with Orders(place / "home") as orders:
        return power_cuts.cut_after_every_call(bench, orders, flavours=(False,), operations=CHANGES, say=say)


def _cut_again_and_again(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    with Orders(place / "home") as orders:
        return power_cuts.cut_again_and_again(bench, orders, cuts=scaled(200), seed=seed, say=say)


def _flip_read_back(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    return bit_flips.flip_before_read_back(bench, count=scaled(1000), seed=seed, say=say)


def _flip_verify(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    return bit_flips.flip_before_verify(bench, count=scaled(1000), seed=seed, say=say)


def _flip_may_wipe(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    return bit_flips.flip_before_may_wipe(bench, place / "homes", count=scaled(1000), seed=seed, say=say)


def _tell_wipe_stories(bench: Stage, place: Path, scaled: Callable[[int], int], seed: int, say: Say) -> Figures:
    return wipe_stories.tell_stories(stories=scaled(2000), seed=seed, say=say)


CAMPAIGNS: dict[str, Campaign] = {
    "kill-offloads": _kill_offloads,
    "kill-verifies": _kill_verifies,
    "kill-commands": _kill_commands,
    "cut-after-syncs": _cut_after_syncs,
    "cut-after-changes": _cut_after_changes,
    "cut-again-and-again": _cut_again_and_again,
    "flip-read-back": _flip_read_back,
    "flip-verify": _flip_verify,
    "flip-may-wipe": _flip_may_wipe,
    "wipe-stories": _tell_wipe_stories,
}


def run(name: str, seed: int, scale: float, say: Say) -> Figures:
    """One campaign on drives of its own. `scale` 1 is its full size."""
    with tempfile.TemporaryDirectory(prefix="campaign-") as top, Devices(Path(top)) as devices:
        place = devices.place("stations")
        place.mkdir()
        before = os.environ.get("ROLLPROOF_HOME")
        os.environ["ROLLPROOF_HOME"] = str(place / "this-process")
        try:
            # the real command looks at what lies beneath: what lies in memory is no drive to it
            bench = make_bench(devices, in_memory=name != "kill-commands")
            return CAMPAIGNS[name](bench, place, lambda full: max(1, round(full * scale)), seed, say)
        finally:
            if before is None:
                del os.environ["ROLLPROOF_HOME"]
            else:
                os.environ["ROLLPROOF_HOME"] = before


def main() -> int:
    """Run what the command line names; all of it when it names nothing."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("names", nargs="*", metavar="NAME", help=f"any of {', '.join(CAMPAIGNS)}")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--scale", type=float, default=1.0, help="a part of the full size")
    asked.add_argument("--report", type=Path, help="write the figures there as JSON")
    told = asked.parse_args()
    if unknown := set(told.names) - CAMPAIGNS.keys():
        asked.error(f"there is no campaign {', '.join(sorted(unknown))}")
    if why := why_no_devices():
        print(f"campaigns need real devices: {why}", file=sys.stderr)
        return 2
    out = []
    for name in told.names or CAMPAIGNS:
        figures = run(name, told.seed, told.scale, _progress(name))
        print("\n".join(figures.lines()), flush=True)
        out.append(figures)
        if told.report is not None:
            told.report.write_text(json.dumps([_as_json(done) for done in out], indent=1) + "\n", encoding="utf-8")
    return 1 if any(figures.wrong for figures in out) else 0


def _progress(name: str) -> Say:
    """At most one line in ten seconds."""
    last = [0.0]

    def say(text: str) -> None:
        if time.monotonic() - last[0] > 10:
            last[0] = time.monotonic()
            print(f"{name}: {text}", file=sys.stderr, flush=True)

    return say


def _as_json(figures: Figures) -> dict[str, object]:
    return {
        "name": figures.name,
        "seed": figures.seed,
        "seconds": round(figures.seconds),
        "counts": dict(sorted(figures.counts.items())),
        "wrong": figures.wrong,
    }


if __name__ == "__main__":
    sys.exit(main())
