"""The rows of the table of targets: what each runs, against which yardstick.

A row whose command did not end as it should have raises `DidNotWork`, one that this machine cannot have `NotHere`: the
table says so instead of a figure.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmarks import card_of_many, whole_commands
from benchmarks import ground as bench
from benchmarks.ground import DidNotWork, Ground, NotHere, Row, timed
from support.devices import Devices, why_no_devices
from support.movies import whole_movie

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Size:
    """How much each row works on."""

    large_gigabytes: float
    memory_gigabytes: float
    small_files: int
    many_files: int
    huge_gigabytes: float
    clips: int
    known_files: int
    rounds: int


SIZES = {
    "small": Size(0.75, 0.5, 3_000, 10_000, 8, 200, 50_000, 1),
    "middle": Size(3, 2, 20_000, 50_000, 64, 2_000, 1_000_000, 3),
    "full": Size(8, 4, 50_000, 200_000, 1_000, 2_000, 1_000_000, 5),
}
MEMORY_FOLDER = Path("/dev/shm")


@dataclass(frozen=True)
class Setting:
    """What every row is given."""

    scratch: Path
    size: Size
    rounds: int

    def folder(self, name: str) -> Path:
        """A fresh folder for one row."""
        path = self.scratch / name
        shutil.rmtree(path, ignore_errors=True)
        path.mkdir(parents=True)
        return path


def _against(row: Row, rounds: int, clear: Callable[[], None], **works: Callable[[], bench.Cost | None]) -> None:
    """Everything in turn, `rounds` times; the tool is `tool`."""
    peaks, processor = [], []
    for _ in range(rounds):
        for name, work in works.items():
            clear()
            cost: list[bench.Cost | None] = []
            seconds = timed(lambda work=work, cost=cost: cost.append(work()))  # type: ignore[misc]
            row.seconds.setdefault(name, []).append(seconds)
            if cost[0] is not None and name == "tool":
                peaks.append(cost[0].peak_mib)
                processor.append(cost[0].processor_seconds)
    if peaks:
        row.peak_mib, row.processor_seconds = max(peaks), sorted(processor)[len(processor) // 2]


def _ratios(row: Row, yardstick: str) -> None:
    row.ratios = [other / tool for other, tool in zip(row.seconds[yardstick], row.seconds["tool"], strict=True)]


def large(setting: Setting) -> list[Row]:
    """Large files to three drives on this disk, two reads of the card, read-back; against fio and against the shell."""
    ground = Ground(setting.folder("large"), 3)
    size = bench.large_card(ground.card, setting.size.large_gigabytes)
    shutil.copyfile(ground.card / "A003C001.mov", ground.top / "fio-card")
    with open(ground.top / "fio-card", "ab") as file:
        while file.tell() < size:
            file.write(os.urandom(bench.MIB))
    ground.clear()
    bench.shell(ground)  # warms the disk: fresh blocks are slower than used ones
    title = f"large files, {size / 1e9:.1f} GB, 3 drives"

    def fio() -> None:
        bench.disk_alone(ground, size)
        for left in ground.top.glob("fio-[0-9]*"):
            left.unlink()

    row = Row(f"{title}: the disk's own work (fio)", "≥ 0.95")
    _against(row, setting.rounds, ground.clear, tool=lambda: bench.offload(ground), shell=lambda: bench.shell(ground),
             fio=fio)  # fmt: skip
    beside = Row(f"{title}: the shell", "≥ 1.0", seconds=row.seconds)
    _ratios(row, "fio")
    _ratios(beside, "shell")
    row.meets, beside.meets = row.median >= 0.95, beside.median >= 1.0
    return [row, beside]


def memory(setting: Setting) -> list[Row]:
    """The same where no disk is in the way."""
    if not MEMORY_FOLDER.is_dir():
        raise NotHere(f"there is no {MEMORY_FOLDER}")
    with tempfile.TemporaryDirectory(dir=MEMORY_FOLDER) as folder:
        ground = Ground(Path(folder), 3)
        size = bench.large_card(ground.card, setting.size.memory_gigabytes)
        for work in (bench.shell, bench.offload):  # a virtual machine gets its memory at the first touch, slowly
            ground.clear()
            work(ground)
        row = Row(f"in memory (tmpfs), {size / 1e9:.1f} GB, 3 drives: the shell", "≥ 1.0")
        _against(row, setting.rounds, ground.clear, tool=lambda: bench.offload(ground),
                 shell=lambda: bench.shell(ground), bare=lambda: _bare_calls(ground))  # fmt: skip
        _ratios(row, "shell")
        row.meets = row.median >= 1.0
        row.note = _calls_ceiling(row)
    return [row]


def small(setting: Setting) -> list[Row]:
    """A card of small files to two drives."""
    ground = Ground(setting.folder("small"), 2)
    bench.small_card(ground.card, setting.size.small_files)
    ground.clear()
    bench.shell(ground)
    row = Row(f"{setting.size.small_files:,} files of 4–64 KiB, 2 drives: the shell", "≥ 1.5")
    _against(row, setting.rounds, ground.clear, tool=lambda: bench.offload(ground), shell=lambda: bench.shell(ground),
             bare=lambda: _bare_calls(ground))  # fmt: skip
    _ratios(row, "shell")
    row.meets = row.median >= 1.5
    row.note = _calls_ceiling(row)
    return [row]


def _bare_calls(ground: Ground) -> None:
    """The calls of an offload by plain Python threads, in a process of their own."""
    words = [sys.executable, "-m", "benchmarks.bare_calls", str(ground.card), *map(str, ground.targets())]
    ended = subprocess.run(words, capture_output=True, text=True, check=False, env=_where_modules_are())
    if ended.returncode:
        raise DidNotWork(f"the bare calls ended with status {ended.returncode}: {ended.stderr[-1000:]}")


def _calls_ceiling(row: Row) -> str:
    """How the calls alone compare: what plain Python threads can reach of the row's target."""
    shell, bare, tool = (statistics.median(row.seconds[name]) for name in ("shell", "bare", "tool"))
    return (
        f"the same system calls by plain Python threads that decide and prove nothing took {bare:.1f} s beside the"
        f" shell's {shell:.1f} s and the tool's {tool:.1f} s: a ratio of {shell / bare:.2f} is what they could reach;"
        f" {_how_busy(row)}"
    )


def _how_busy(row: Row) -> str:
    """How much of what the processors have the tool used: where that is nearly all, nothing but less work helps."""
    processors = os.cpu_count() or 1
    share = (row.processor_seconds or 0.0) / statistics.median(row.seconds["tool"]) / processors
    return f"the tool kept {processors} processors {share:.0%} busy"


def _where_modules_are() -> dict[str, str]:
    paths = os.pathsep.join([str(ROOT / "tests"), str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    return {**os.environ, "PYTHONPATH": paths}


def _module(name: str, *words: str | Path) -> dict[str, object]:
    ended = subprocess.run(
        [sys.executable, "-m", f"benchmarks.{name}", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        env=_where_modules_are(),
    )
    if ended.returncode:
        raise DidNotWork(f"{name} ended with status {ended.returncode}: {ended.stderr[-1000:]}")
    told: dict[str, object] = json.loads(ended.stdout)
    if told["states"] != ["proven"] * len(told["states"]):  # type: ignore[arg-type]
        raise DidNotWork(f"the offload of {name} did not do its work: {told}")
    return told


def unequal(setting: Setting) -> list[Row]:
    """A drive five times slower than the other: when is the fast one proven, compared with having the card alone?"""
    ground = Ground(setting.folder("unequal"), 2)
    size = bench.large_card(ground.card, setting.size.large_gigabytes)
    row = Row("one of 2 drives 5 times slower: the fast one alone", "≥ 0.9")
    fast, slow = ground.targets()

    def proven(told: dict[str, object]) -> float:
        at = told["at"]
        assert isinstance(at, dict)
        return float(next(seconds for name, seconds in at.items() if name == f"proven {fast.name}"))

    ground.clear()
    alone = _module("slow_drive", ground.card, fast)
    rate = size / 1e6 / max(float(str(alone["seconds"])), 0.1) / 2  # MB/s over writing and reading back, halved …
    for _ in range(setting.rounds):
        ground.clear()
        row.seconds.setdefault("alone", []).append(proven(_module("slow_drive", ground.card, fast)))
        ground.clear()
        # … and a fifth of what the fast one writes
        told = _module("slow_drive", ground.card, fast, slow, f"{rate * 4 / 5:.0f}")
        row.seconds.setdefault("tool", []).append(proven(told))
        row.seconds.setdefault("both proven", []).append(float(str(told["seconds"])))
    _ratios(row, "alone")
    row.meets = row.median >= 0.9
    row.note = f"the slow one took {rate * 4 / 5:.0f} MB/s"
    return [row]


def look(setting: Setting) -> list[Row]:
    """What the look into the clips costs the offload that it runs beside; the order changes from round to round."""
    from benchmarks import look_beside  # noqa: PLC0415 - real muxers, only here

    ground = Ground(setting.folder("look"), 2)
    clips = max(int(setting.size.large_gigabytes * 14), 7)
    size = look_beside.make_card(ground.card, clips)
    row = Row(f"{clips} clips, {size / 1e9:.1f} GB, 2 drives: the same without the look into the clips", "≥ 0.98")
    processor: list[float] = []
    for number in range(max(setting.rounds, 5)):
        for name, word in (("tool", "yes"), ("no look", "no"))[:: 1 if number % 2 else -1]:
            ground.clear()
            told = _module("look_beside", ground.card, *ground.targets(), "--look", word)
            row.seconds.setdefault(name, []).append(float(str(told["seconds"])))
            if name == "tool":
                processor.append(float(str(told["processor_seconds"])) + float(str(told["child_processor_seconds"])))
    _ratios(row, "no look")
    row.processor_seconds = sorted(processor)[len(processor) // 2]
    row.meets = row.median >= 0.98
    return [row]


def algorithms(setting: Setting) -> list[Row]:
    """Four algorithms from one read, against the slowest of them alone."""
    top = MEMORY_FOLDER if MEMORY_FOLDER.is_dir() else setting.scratch
    with tempfile.TemporaryDirectory(dir=top) as folder:
        ground = Ground(Path(folder), 1)
        size = bench.large_card(ground.card, setting.size.memory_gigabytes)
        every = [word for name in bench.ALGORITHM_CHOICES for word in ("--hash", name)]
        row = Row("xxh128, md5, sha256 and c4 at once: the slowest of them alone", "≥ 0.9")
        single: dict[str, float] = {}
        bench.offload(ground, *every)  # what comes first is slower
        for name in bench.ALGORITHM_CHOICES:
            ground.clear()
            single[name] = bench.offload(ground, "--hash", "xxh128", "--hash", name).seconds
        slowest = max(single, key=lambda name: single[name])
        alone: list[float] = []

        def slowest_alone() -> None:
            cost = bench.offload(ground, "--hash", "xxh128", "--hash", slowest)
            alone.append(_seconds_of(cost)["read card"])

        _against(row, setting.rounds, ground.clear, tool=lambda: bench.offload(ground, *every), alone=slowest_alone)
        _ratios(row, "alone")
        row.meets = row.median >= 0.9
        moving = bench.moving_seconds(Path(folder))
        typical = sorted(row.seconds["alone"])[len(row.seconds["alone"]) // 2]
        row.note = _hashing_ceiling(size, slowest, alone, typical, moving)
        row.note += f"; {_how_busy(row)}"
    return [row]


def _hashing_ceiling(size: int, slowest: str, first_reads: Sequence[float], alone: float, moving: float) -> str:
    """What the processors would allow: a first read cannot be shorter than its hashing is where threads do nothing
    else, and what the processors need to read and write the bytes once, by one program that does nothing else either.
    """
    each = {name: bench.hashing_seconds([name]) for name in bench.ALGORITHM_CHOICES}
    at_once = bench.hashing_seconds(bench.ALGORITHM_CHOICES)
    processors = os.cpu_count() or 1
    first = sorted(first_reads)[len(first_reads) // 2]
    least = alone - first + max(first, size / 1e9 * (at_once + moving / processors))
    speeds = ", ".join(f"{name} {1 / seconds:.2f}" for name, seconds in each.items())
    return (
        f"the slowest is {slowest}; hashing alone, in GB/s on one thread each: {speeds}, all four at once"
        f" {1 / at_once:.2f} on {processors} processors, which need {moving:.2f} s more to read and write a GB once;"
        f" so the ceiling of this row is {alone / least:.2f}"
    )


def _seconds_of(cost: bench.Cost) -> dict[str, float]:
    """The legs of an offload of one card."""
    rolls = cost.answer["rolls"]
    assert isinstance(rolls, list)
    seconds: dict[str, float] = rolls[0]["seconds"]
    return seconds


def many(setting: Setting) -> list[Row]:
    """Very many tiny files: memory, and what is spent on other things than copying."""
    top = MEMORY_FOLDER if MEMORY_FOLDER.is_dir() else setting.scratch
    with tempfile.TemporaryDirectory(dir=top) as folder:
        ground = Ground(Path(folder), 2)
        bench.small_card(ground.card, setting.size.many_files, smallest=256, largest=512)
        ground.clear()
        cost = bench.offload(ground)
        seconds = _seconds_of(cost)
        title = f"{setting.size.many_files:,} tiny files, 2 drives"
        peak = Row(
            f"{title}: peak memory", "≤ 250 MiB", figures=[cost.peak_mib], unit="MiB", meets=cost.peak_mib <= 250
        )
        peak.processor_seconds = cost.processor_seconds
        around = sum(value for name, value in seconds.items() if name in ("scan", "preflight", "records"))
        most = 15 * setting.size.many_files / 200_000
        overhead = Row(f"{title}: scan, plan, records", f"≤ {most:.1f} s", figures=[around], unit="s")
        overhead.meets = around <= most
        overhead.note = ", ".join(f"{name} {value:.1f}" for name, value in seconds.items())
    return [peak, overhead]


def commands(setting: Setting) -> list[Row]:
    """The same on real file systems: peak memory of every command that reads such a card or its copies."""
    if reason := why_no_devices():
        raise NotHere(reason)
    files = setting.size.many_files
    scratch = MEMORY_FOLDER if MEMORY_FOLDER.is_dir() else setting.scratch
    costs = dict(card_of_many.every_command(scratch, files, card_of_many.COMMANDS))
    worst = max(cost.peak_mib for cost in costs.values())
    row = Row(f"{files:,} tiny files: peak memory of the hungriest command", "≤ 250 MiB", figures=[worst], unit="MiB")
    row.meets = worst <= 250
    row.note = ", ".join(f"{name} {cost.peak_mib:.0f} MiB in {cost.seconds:.0f} s" for name, cost in costs.items())
    return [row]


def huge(setting: Setting) -> list[Row]:
    """One very large file: memory."""
    told = _module("huge_file", setting.folder("huge"), str(setting.size.huge_gigabytes))
    peak = float(str(told["peak_mib"]))
    row = Row(f"one file of {setting.size.huge_gigabytes:,} GB: peak memory", "≤ 250 MiB", figures=[peak], unit="MiB")
    row.meets = peak <= 250
    row.note = f"{told['seconds']} s; card and copy are sparse"
    return [row]


def start_up(setting: Setting) -> list[Row]:
    """`rollproof --help` against a Python that does nothing."""
    tool = str(Path(sys.executable).with_name("rollproof"))
    row = Row("rollproof --help: python -c pass", "≤ 5 times as long")

    def run(*words: str) -> float:
        return timed(lambda: subprocess.run(words, check=True, stdout=subprocess.DEVNULL))

    run(tool, "--help")
    for _ in range(max(setting.rounds, 3) * 3):
        row.seconds.setdefault("tool", []).append(run(tool, "--help"))
        row.seconds.setdefault("python", []).append(run(sys.executable, "-c", "pass"))
    row.figures = [one / other for one, other in zip(row.seconds["tool"], row.seconds["python"], strict=True)]
    row.unit = "times"
    row.meets = row.median <= 5
    return [row]


def wipe_answer(setting: Setting) -> list[Row]:
    """`may-wipe` of a card just offloaded, both drives attached; needs root and loop devices."""
    if reason := why_no_devices():
        raise NotHere(reason)
    row = Row(f"may-wipe, {setting.size.clips:,} clips, unchanged", "≤ 1 s", unit="s")
    with tempfile.TemporaryDirectory() as held, Devices(Path(held)) as devices:
        card, one, two = (
            devices.image("ext4", size_bytes=256 << 20, name=name) for name in ("A003", "primary", "backup")
        )
        for drive in (card, one, two):
            (drive.mount / "lost+found").rmdir()
        for number in range(setting.size.clips):
            (card.mount / f"A003C{number:04}_260514.mov").write_bytes(whole_movie(2_000, b"%4d" % number))
        bench.command(["offload", card.mount, "--to", one.mount, "--to", two.mount, "--roll", "A003"])
        for _ in range(max(setting.rounds, 3)):
            cost = bench.command(["may-wipe", card.mount, "--by", "the camera assistant"])
            if cost.answer.get("basis") != "listing":
                raise DidNotWork(f"the card was read again: {json.dumps(cost.answer)[:1000]}")
            row.figures.append(cost.seconds)
        row.note = f"the answer was {cost.answer['answer']}, basis {cost.answer['basis']}"
    row.meets = row.median <= 1
    return [row]


def ledger(setting: Setting) -> list[Row]:
    """`rolls` and `may-wipe` on a ledger of very many files; needs root and loop devices."""
    if reason := why_no_devices():
        raise NotHere(reason)
    files, rows = setting.size.known_files, []
    for name, taken in whole_commands.measured(files, max(setting.rounds, 3)).items():
        row = Row(f"{name}, {files:,} files in the ledger", "≤ 1 s", figures=taken, unit="s")
        row.meets = row.median <= 1
        rows.append(row)
    return rows


ROWS = {
    "large": large, "memory": memory, "small": small, "unequal": unequal, "look": look, "algorithms": algorithms,
    "many": many, "commands": commands, "huge": huge, "start-up": start_up, "may-wipe": wipe_answer, "ledger": ledger,
}  # fmt: skip
