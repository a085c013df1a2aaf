"""Benchmarks, run by hand: the tool, the shell pipeline and the disk's own ceiling in turn on the same, warmed disk.

    python tests/benchmarks/run.py large --scratch /mnt/scratch --gigabytes 3 --rounds 3
    python tests/benchmarks/run.py small --scratch /mnt/scratch --files 50000
    python tests/benchmarks/run.py large --scratch /dev/shm --no-ceiling

Needs `fio` and `xxhsum`, and root to drop caches. Prints seconds of every round and the ratios of the medians; a
ratio above 1 means that the tool was faster. Only figures of one run may be compared. Nothing here is a test.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

_MIB = 1 << 20


@dataclass
class Ground:
    """Where it happens: one card folder and the drives beside it."""

    top: Path
    drives: int

    @property
    def card(self) -> Path:
        """The card's folder."""
        return self.top / "card"

    def targets(self) -> list[Path]:
        """The drives' folders, made."""
        folders = [self.top / f"drive{number}" for number in range(1, self.drives + 1)]
        for folder in folders:
            folder.mkdir(exist_ok=True)
        return folders

    def clear(self) -> None:
        """Empty drives, and nothing cached."""
        for folder in self.targets():
            shutil.rmtree(folder)
        self.targets()
        settle()


def settle() -> None:
    """Everything written, nothing cached."""
    os.sync()
    try:
        Path("/proc/sys/vm/drop_caches").write_text("3")
    except OSError:
        print("caches cannot be dropped here: the figures are not comparable", file=sys.stderr)


def large_card(ground: Ground, gigabytes: float) -> int:
    """Files of 512 MiB with content that does not compress; returns the bytes."""
    ground.card.mkdir()
    left = int(gigabytes * 1024)
    number = 0
    while left > 0:
        size = min(512, left)
        number += 1
        with open(ground.card / f"A003C{number:03}.mov", "wb") as file:
            for _ in range(size):
                file.write(os.urandom(_MIB))
        left -= size
    return int(gigabytes * 1024) * _MIB


def small_card(ground: Ground, files: int) -> int:
    """Files of 4 to 64 KiB, 500 to a folder; returns the bytes."""
    ground.card.mkdir()
    dice = random.Random(3)
    total = 0
    content = os.urandom(_MIB)
    for number in range(files):
        folder = ground.card / f"{number // 500:04}"
        folder.mkdir(exist_ok=True)
        size = dice.randrange(4096, 65_537)
        start = dice.randrange(0, _MIB - size)
        (folder / f"frame.{number:06}.dng").write_bytes(number.to_bytes(8, "big") + content[start : start + size - 8])
        total += size
    return total


def timed(work: Callable[[], None]) -> float:
    """Seconds of the clock."""
    began = time.monotonic()
    work()
    return time.monotonic() - began


def tool(ground: Ground, peaks: list[float]) -> None:
    """The offload with two reads of the card and read-back; notes the peak memory in MiB."""
    command = [
        str(Path(sys.executable).with_name("rollproof")),
        "offload",
        str(ground.card),
        "--roll",
        "A003",
        "--json",
    ]
    for folder in ground.targets():
        command += ["--to", str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdout is not None
    answer = json.loads(process.stdout.read())
    _, _, usage = os.wait4(process.pid, 0)
    peaks.append(usage.ru_maxrss / 1024)
    states = [destination["state"] for roll in answer["rolls"] for destination in roll["destinations"]]
    if set(states) - {"proven", "copied"} or len(states) != ground.drives:
        raise SystemExit(f"the offload did not do its work: {json.dumps(answer)[:2000]}")


def shell(ground: Ground) -> None:
    """Parallel copies, sync, caches dropped, parallel hashes of all copies and of the card."""
    copies = " & ".join(f"cp -r '{ground.card}/.' '{folder}/'" for folder in ground.targets())
    roots = [ground.card, *ground.targets()]
    hashes = " & ".join(f"find '{root}' -type f -print0 | xargs -0 xxhsum -H2 > /dev/null" for root in roots)
    drop = "echo 3 > /proc/sys/vm/drop_caches"
    subprocess.run(["bash", "-c", f"{copies} & wait; sync; {drop}; {hashes} & wait"], check=True)


def ceiling(ground: Ground, size: int) -> None:
    """The disk alone, for the same bytes: the card read beside the writers, then card and copies read at once."""
    engine = ["--ioengine=libaio", "--iodepth=4", "--direct=1", "--bs=8M", f"--size={size}", "--end_fsync=1"]
    reader = ["--name=card", "--rw=read", f"--filename={ground.top / 'fio-card'}"]
    names = [ground.top / f"fio-{number}" for number in range(ground.drives)]
    writers = [part for name in names for part in (f"--name={name.name}", "--rw=write", f"--filename={name}")]
    readers = [part for name in names for part in (f"--name={name.name}", "--rw=read", f"--filename={name}")]
    for jobs in (writers, readers):
        subprocess.run(["fio", *engine, *reader, *jobs], check=True, stdout=subprocess.DEVNULL)


def rounds(ground: Ground, size: int, count: int, *, with_ceiling: bool) -> None:
    """Everything in turn, `count` times, and the ratios."""
    peaks: list[float] = []
    seconds: dict[str, list[float]] = {"tool": [], "shell": [], "ceiling": []}
    if with_ceiling:
        with open(ground.top / "fio-card", "wb") as file:
            for _ in range(size // _MIB):
                file.write(os.urandom(_MIB))
    ground.clear()
    shell(ground)  # warms the disk: fresh blocks are slower than used ones
    for _ in range(count):
        ground.clear()
        seconds["tool"].append(timed(lambda: tool(ground, peaks)))
        ground.clear()
        seconds["shell"].append(timed(lambda: shell(ground)))
        ground.clear()
        if with_ceiling:
            seconds["ceiling"].append(timed(lambda: ceiling(ground, size)))
            for left in ground.top.glob("fio-[0-9]*"):
                left.unlink()
    for name, found in seconds.items():
        if found:
            print(
                f"{name:8} {' '.join(f'{value:7.2f}' for value in found)} s   median {statistics.median(found):.2f} s"
            )
    median = {name: statistics.median(found) for name, found in seconds.items() if found}
    print(f"shell/tool   {median['shell'] / median['tool']:.2f}")
    if "ceiling" in median:
        print(f"ceiling/tool {median['ceiling'] / median['tool']:.2f}")
    print(f"peak memory of the tool {max(peaks):.0f} MiB")


def main() -> None:
    """Parse, build the card, run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("card", choices=("large", "small"))
    parser.add_argument("--scratch", type=Path, default=Path.cwd())
    parser.add_argument("--gigabytes", type=float, default=3)
    parser.add_argument("--files", type=int, default=50_000)
    parser.add_argument("--drives", type=int, default=None)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--no-ceiling", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.scratch, prefix="rollproof-bench-") as folder:
        os.environ["ROLLPROOF_HOME"] = str(Path(folder) / "home")
        ground = Ground(Path(folder), given.drives or (3 if given.card == "large" else 2))
        size = large_card(ground, given.gigabytes) if given.card == "large" else small_card(ground, given.files)
        print(f"{given.card} card: {size / 1e9:.2f} GB to {ground.drives} drives below {given.scratch}")
        rounds(ground, size, given.rounds, with_ceiling=given.card == "large" and not given.no_ceiling)


if __name__ == "__main__":
    main()
