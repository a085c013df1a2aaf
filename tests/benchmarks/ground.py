"""Where a benchmark happens: a card folder, drives beside it, the tool and its yardsticks as whole commands."""

from __future__ import annotations

import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rollproof.hashing import new_hasher

MIB = 1 << 20
ALGORITHM_CHOICES = ("xxh128", "md5", "sha256", "c4")


class DidNotWork(Exception):
    """A command did not end as it should have: what it took is no figure of anything."""


class NotHere(Exception):
    """This machine lacks what a row needs."""


@dataclass
class Row:
    """One line of the table. `ratios` are the yardstick's seconds over the tool's, one for each round: above 1 the tool
    was faster. A row without a yardstick has `figure`s in `unit` instead. `target` is what was hoped for. `no_figure`
    says why there is none; `group` is the name it is asked for by."""

    name: str
    target: str
    ratios: list[float] = field(default_factory=list)
    figures: list[float] = field(default_factory=list)
    unit: str = ""
    seconds: dict[str, list[float]] = field(default_factory=dict)
    peak_mib: float | None = None
    processor_seconds: float | None = None
    meets: bool | None = None
    note: str = ""
    no_figure: str = ""
    group: str = ""
    measured_on: str = ""

    @property
    def median(self) -> float:
        """The middle of the ratios, or of the figures."""
        return statistics.median(self.ratios or self.figures)

    def as_json(self) -> dict[str, object]:
        """Everything, for machines."""
        return {key: value for key, value in self.__dict__.items() if value not in ([], {}, None, "")}


@dataclass
class Cost:
    """What one run took: seconds of the clock, of the processors, and peak memory."""

    seconds: float
    processor_seconds: float
    peak_mib: float
    answer: dict[str, object] = field(default_factory=dict)


@dataclass
class Ground:
    """One card folder and the drives beside it, all below `top`."""

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


def large_card(folder: Path, gigabytes: float) -> int:
    """Files of 512 MiB with content that does not compress; returns the bytes."""
    folder.mkdir(parents=True)
    left = int(gigabytes * 1024)
    number = 0
    while left > 0:
        size = min(512, left)
        number += 1
        with open(folder / f"A003C{number:03}.mov", "wb") as file:
            for _ in range(size):
                file.write(os.urandom(MIB))
        left -= size
    return int(gigabytes * 1024) * MIB


def small_card(
    folder: Path, files: int, *, smallest: int = 4096, largest: int = 65_536, folder_files: int = 500
) -> int:
    """Files of 4 to 64 KiB, 500 to a folder; returns the bytes."""
    folder.mkdir(parents=True)
    dice = random.Random(3)
    total = 0
    content = os.urandom(MIB)
    for number in range(files):
        below = folder / f"{number // folder_files:06}"
        below.mkdir(exist_ok=True)
        size = dice.randrange(smallest, largest + 1)
        start = dice.randrange(0, MIB - size)
        (below / f"frame.{number:06}.dng").write_bytes(number.to_bytes(8, "big") + content[start : start + size - 8])
        total += size
    return total


def hashing_seconds(algorithms: Sequence[str], megabytes: int = 512) -> float:
    """Seconds for a gigabyte of blocks in memory hashed by each of these algorithms at once, one thread each."""
    block = memoryview(os.urandom(8 * MIB))

    def hash_all(name: str) -> None:
        state = new_hasher(name)
        for _ in range(megabytes // 8):
            state.update(block)

    threads = [threading.Thread(target=hash_all, args=(name,)) for name in algorithms]
    began = time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return (time.monotonic() - began) / (megabytes * MIB / 1e9)


def moving_seconds(folder: Path, megabytes: int = 512, tries: int = 5) -> float:
    """Processor seconds for a gigabyte read from one file in memory and written to another: the least of several
    tries, because memory that was never used before is slower to come by."""
    return min(_moving_seconds(folder, megabytes) for _ in range(tries))


def _moving_seconds(folder: Path, megabytes: int) -> float:
    block = bytearray(os.urandom(8 * MIB))
    here, there = folder / "moved-from", folder / "moved-to"
    try:
        with open(here, "wb", buffering=0) as file:
            for _ in range(megabytes // 8):
                file.write(block)
        with open(here, "rb", buffering=0) as source, open(there, "wb", buffering=0) as target:
            began = time.thread_time()
            while count := source.readinto(block):
                target.write(memoryview(block)[:count])
            return (time.thread_time() - began) / (megabytes * MIB / 1e9)
    finally:
        here.unlink(missing_ok=True)
        there.unlink(missing_ok=True)


def timed(work: Callable[[], object]) -> float:
    """Seconds of the clock."""
    began = time.monotonic()
    work()
    return time.monotonic() - began


_RUNNER = """
import json, os, sys, time
began = time.monotonic()
pid = os.posix_spawn(sys.argv[2], sys.argv[2:], os.environ)
_, status, usage = os.wait4(pid, 0)
told = [time.monotonic() - began, os.waitstatus_to_exitcode(status), usage.ru_utime + usage.ru_stime, usage.ru_maxrss]
os.write(int(sys.argv[1]), json.dumps(told).encode())
"""
"""Runs a command from a small process: Linux counts the memory of whoever starts a program as the program's own."""


def command(words: Sequence[str | Path], expected: Collection[int] = (0,)) -> Cost:
    """Run the tool with `--json` and wait; what it cost and what it answered. DidNotWork when it ended with a status
    that is not among those expected."""
    line = [str(Path(sys.executable).with_name("rollproof")), *map(str, words), "--json"]
    ours, theirs = os.pipe()
    with open(ours, "rb") as cost:
        ran = subprocess.run(
            [sys.executable, "-S", "-E", "-c", _RUNNER, str(theirs), *line],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            check=False,
            pass_fds=(theirs,),
        )
        os.close(theirs)
        seconds, status, processor, peak = json.loads(cost.read())
    if status not in expected:
        raise DidNotWork(f"{words[0]} ended with status {status}: {ran.stdout.decode(errors='replace')[:1000]}")
    return Cost(seconds, processor, peak / 1024, json.loads(ran.stdout))


def own_peak_mib() -> float:
    """The peak of this process since it began to run its own program, in MiB."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    raise NotHere("the kernel does not tell a process's peak memory")


def offload(ground: Ground, *extra: str) -> Cost:
    """The offload with two reads of the card and read-back; DidNotWork when it did not do all of its work."""
    words: list[str | Path] = ["offload", ground.card, "--roll", "A003", *extra]
    for folder in ground.targets():
        words += ["--to", folder]
    cost = command(words, (0, 1))  # copies that only a cache can vouch for are status 1; the states are looked at below
    rolls = cost.answer["rolls"]
    assert isinstance(rolls, list)
    states = [destination["state"] for roll in rolls for destination in roll["destinations"]]
    if set(states) - {"proven", "copied"} or len(states) != ground.drives:
        raise DidNotWork(f"the offload did not do its work: {json.dumps(cost.answer)[:2000]}")
    return cost


def shell(ground: Ground) -> None:
    """Parallel copies, sync, caches dropped, parallel hashes of all copies and of the card. DidNotWork when one of its
    programs failed."""
    copies = [f"cp -r '{ground.card}/.' '{folder}/'" for folder in ground.targets()]
    roots = [ground.card, *ground.targets()]
    hashes = [f"find '{root}' -type f -print0 | xargs -0 xxhsum -H2 > /dev/null" for root in roots]
    drop = "echo 3 2> /dev/null > /proc/sys/vm/drop_caches || true"
    lines = ["set -e -o pipefail", _at_once(copies), "sync", drop, _at_once(hashes)]
    ended = subprocess.run(["bash", "-c", "\n".join(lines)], check=False, stderr=subprocess.PIPE, text=True)
    if ended.returncode:
        raise DidNotWork(f"the shell pipeline ended with status {ended.returncode}: {ended.stderr[:500]}")


def _at_once(commands: Sequence[str]) -> str:
    """Lines that run all of them beside each other and fail when one does (a plain `wait` never fails)."""
    started = [f"{command} & at{number}=$!" for number, command in enumerate(commands)]
    return "\n".join([*started, *(f"wait $at{number}" for number in range(len(commands)))])


def disk_alone(ground: Ground, size: int) -> None:
    """The disk's own work for the same bytes: the card read beside the writers, then card and copies read at once."""
    engine = ["--ioengine=libaio", "--iodepth=4", "--direct=1", "--bs=8M", f"--size={size}", "--end_fsync=1"]
    reader = ["--name=card", "--rw=read", f"--filename={ground.top / 'fio-card'}"]
    names = [ground.top / f"fio-{number}" for number in range(ground.drives)]
    writers = [part for name in names for part in (f"--name={name.name}", "--rw=write", f"--filename={name}")]
    readers = [part for name in names for part in (f"--name={name.name}", "--rw=read", f"--filename={name}")]
    for jobs in (writers, readers):
        subprocess.run(["fio", *engine, *reader, *jobs], check=True, stdout=subprocess.DEVNULL)
