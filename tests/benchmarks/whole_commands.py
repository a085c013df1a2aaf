"""Whole commands on a ledger of a million files: `rolls`, and `may-wipe` of a card that is just as it was offloaded.

    python tests/benchmarks/whole_commands.py [--files 1000000] [--runs 7]

Needs root and loop devices: the card and its two drives are real. Prints the seconds of every run, from starting the
process to its end; for each also what a Python that only imports the same takes. Nothing here is a test.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Collection, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from benchmarks.ground import DidNotWork  # noqa: E402
from ledger import notes  # noqa: E402
from rollproof.ledger.entries import ClipNote  # noqa: E402
from rollproof.ledger.opening import open_ledger  # noqa: E402
from support.devices import Devices, why_no_devices  # noqa: E402
from support.movies import whole_movie  # noqa: E402

_FILES_OF_A_ROLL = 2_000
_MINIMUM = "import sqlalchemy, pydantic, rich"


def fill(home: Path, count: int) -> None:
    """Rolls of other days, with two copies each."""
    began = time.monotonic()
    with open_ledger(home) as ledger:
        for number in range(count // _FILES_OF_A_ROLL):
            name = f"A{number + 100:04}"
            ledger.remember_offload(
                notes.offload(
                    name,
                    card=notes.card(f"listing-{number}", serial=f"card-{number}"),
                    day=str(number // 20),
                    written_at=notes.later(hours=number),
                    clips=[
                        ClipNote(f"{name}C{clip:03}_260514", 3, 15, "sound") for clip in range(_FILES_OF_A_ROLL // 3)
                    ],
                ),
                notes.files(_FILES_OF_A_ROLL, name),
            )
    size = (home / "ledger.sqlite3").stat().st_size >> 20
    print(
        f"{count:,} files in {count // _FILES_OF_A_ROLL:,} rolls, {size:,} MiB, {time.monotonic() - began:.0f} s",
        file=sys.stderr,
    )


def timed(words: Sequence[str | Path], runs: int, folder: Path, expected: Collection[int] = (0,)) -> list[float]:
    """The seconds of each run, printed with their median. DidNotWork when one ends with another status."""
    taken, said = [], ""
    for _ in range(runs):
        began = time.monotonic()
        ended = subprocess.run(
            [sys.executable, *words], cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
        )
        taken.append(time.monotonic() - began)
        said = (ended.stdout.strip().splitlines() or ended.stderr.strip().splitlines() or [""])[-1]
        if ended.returncode not in expected:
            raise DidNotWork(f"{' '.join(map(str, words))} ended with status {ended.returncode}: {said}")
    each = "  ".join(f"{seconds:.2f}" for seconds in taken)
    line = " ".join(map(str, words[1:]))[:44]
    print(f"{statistics.median(taken):6.2f} s  {line:44}  {each}  [{said[:40]}]", file=sys.stderr, flush=True)
    return taken


def measured(files: int, runs: int) -> dict[str, list[float]]:
    """The seconds of every run of each command. Needs root and loop devices; `ROLLPROOF_HOME` is not looked at."""
    with tempfile.TemporaryDirectory() as top, tempfile.TemporaryDirectory() as held, Devices(Path(held)) as devices:
        home, folder = Path(top) / "home", Path(top) / "folder"
        folder.mkdir()
        before = os.environ.get("ROLLPROOF_HOME")
        os.environ["ROLLPROOF_HOME"] = str(home)
        try:
            fill(home, files)
            card, one, two = (devices.image("ext4", name=name) for name in ("A003", "primary", "backup"))
            for drive in (card, one, two):
                (drive.mount / "lost+found").rmdir()
            for number in range(200):
                (card.mount / f"A003C{number:03}.mov").write_bytes(whole_movie(20_000, b"%3d" % number))
            tool = ["-m", "rollproof"]
            line: list[str | Path] = [
                *tool,
                "offload",
                card.mount,
                "--to",
                one.mount,
                "--to",
                two.mount,
                "--roll",
                "A003",
            ]
            timed(line, 1, folder)
            timed(["-c", _MINIMUM], runs, folder)
            wipe: list[str | Path] = [*tool, "may-wipe", "--by", "the camera assistant", card.mount]
            taken = {
                "rolls": timed([*tool, "rolls"], runs, folder),
                "rolls A003": timed([*tool, "rolls", "A003"], runs, folder),
                "may-wipe": timed(wipe, runs, folder, (0, 1)),
            }
            os.utime(home / "ledger.sqlite3")
            timed([*tool, "rolls"], 1, folder)  # somebody touched the ledger: looked through once
            return taken
        finally:
            if before is None:
                del os.environ["ROLLPROOF_HOME"]
            else:
                os.environ["ROLLPROOF_HOME"] = before


def main() -> int:
    """Build, measure, clean up."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=1_000_000)
    parser.add_argument("--runs", type=int, default=7)
    asked = parser.parse_args()
    if reason := why_no_devices():
        print(reason, file=sys.stderr)
        return 1
    measured(asked.files, asked.runs)
    return 0


if __name__ == "__main__":
    sys.exit(main())
