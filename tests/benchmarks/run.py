"""Every row of the table of targets, on whatever machine this is: `make bench`, or

    python tests/benchmarks/run.py [--size small|middle|full] [--only ROW …] [--scratch DIR] [--rounds N]

The tool and its yardstick (`cp`, `sync`, `xxhsum`, `fio`) run in turn on the same warmed disk, caches dropped in
between where root allows. Only figures of one run may be compared. Prints the rows as they come, writes them to
`docs/benchmarks.json` and `docs/benchmarks.md`. `small` takes about two minutes, `full` most of an hour. Nothing here
is a test: a row that misses its target is a line in the table, not a failure.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from benchmarks import ground as bench  # noqa: E402
from benchmarks.ground import Ground, Row, timed  # noqa: E402


@dataclass(frozen=True)
class Size:
    """How much each row works on."""

    large_gigabytes: float
    memory_gigabytes: float
    small_files: int
    many_files: int
    huge_gigabytes: float
    clips: int
    rounds: int


SIZES = {
    "small": Size(0.75, 0.5, 3_000, 10_000, 8, 200, 1),
    "middle": Size(3, 1, 20_000, 50_000, 64, 2_000, 3),
    "full": Size(8, 2, 50_000, 200_000, 1_000, 2_000, 5),
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
        return []
    with tempfile.TemporaryDirectory(dir=MEMORY_FOLDER) as folder:
        ground = Ground(Path(folder), 3)
        size = bench.large_card(ground.card, setting.size.memory_gigabytes)
        row = Row(f"in memory (tmpfs), {size / 1e9:.1f} GB, 3 drives: the shell", "≥ 1.0")
        _against(row, setting.rounds, ground.clear, tool=lambda: bench.offload(ground),
                 shell=lambda: bench.shell(ground))  # fmt: skip
        _ratios(row, "shell")
        row.meets = row.median >= 1.0
    return [row]


def small(setting: Setting) -> list[Row]:
    """A card of small files to two drives."""
    ground = Ground(setting.folder("small"), 2)
    bench.small_card(ground.card, setting.size.small_files)
    ground.clear()
    bench.shell(ground)
    row = Row(f"{setting.size.small_files:,} files of 4–64 KiB, 2 drives: the shell", "≥ 1.5")
    _against(row, setting.rounds, ground.clear, tool=lambda: bench.offload(ground), shell=lambda: bench.shell(ground))
    _ratios(row, "shell")
    row.meets = row.median >= 1.5
    return [row]


def _module(name: str, *words: str | Path) -> dict[str, object]:
    paths = os.pathsep.join([str(ROOT / "tests"), str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    ended = subprocess.run(
        [sys.executable, "-m", f"benchmarks.{name}", *map(str, words)],
        stdout=subprocess.PIPE,
        check=True,
        env={**os.environ, "PYTHONPATH": paths},
    )
    told: dict[str, object] = json.loads(ended.stdout)
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
        if told["states"] != ["proven", "proven"] and set(told["states"]) - {"proven", "copied"}:  # type: ignore[call-overload]
            raise SystemExit(f"the offload did not do its work: {told}")
        row.seconds.setdefault("tool", []).append(proven(told))
        row.seconds.setdefault("both proven", []).append(float(str(told["seconds"])))
    _ratios(row, "alone")
    row.meets = row.median >= 0.9
    row.note = f"the slow one took {rate * 4 / 5:.0f} MB/s"
    return [row]


def algorithms(setting: Setting) -> list[Row]:
    """Four algorithms from one read, against the slowest of them alone."""
    top = MEMORY_FOLDER if MEMORY_FOLDER.is_dir() else setting.scratch
    with tempfile.TemporaryDirectory(dir=top) as folder:
        ground = Ground(Path(folder), 1)
        bench.large_card(ground.card, setting.size.memory_gigabytes)
        every = [word for name in bench.ALGORITHM_CHOICES for word in ("--hash", name)]
        row = Row("xxh128, md5, sha256 and c4 at once: the slowest of them alone", "≥ 0.9")
        single: dict[str, float] = {}
        for name in bench.ALGORITHM_CHOICES:
            ground.clear()
            single[name] = bench.offload(ground, "--hash", "xxh128", "--hash", name).seconds
        slowest = max(single, key=lambda name: single[name])
        _against(row, setting.rounds, ground.clear, tool=lambda: bench.offload(ground, *every),
                 alone=lambda: bench.offload(ground, "--hash", "xxh128", "--hash", slowest))  # fmt: skip
        _ratios(row, "alone")
        row.meets = row.median >= 0.9
        row.note = f"the slowest is {slowest}; on {os.cpu_count()} processors"
    return [row]


def many(setting: Setting) -> list[Row]:
    """Very many tiny files: memory, and what is spent on other things than copying."""
    top = MEMORY_FOLDER if MEMORY_FOLDER.is_dir() else setting.scratch
    with tempfile.TemporaryDirectory(dir=top) as folder:
        ground = Ground(Path(folder), 2)
        bench.small_card(ground.card, setting.size.many_files, smallest=256, largest=512)
        ground.clear()
        cost = bench.offload(ground)
        rolls = cost.answer["rolls"]
        assert isinstance(rolls, list)
        seconds = rolls[0]["seconds"]
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
    from support.devices import Devices, why_no_devices  # noqa: PLC0415

    if why_no_devices():
        return []
    row = Row(f"may-wipe, {setting.size.clips:,} clips, unchanged", "≤ 1 s", unit="s")
    with tempfile.TemporaryDirectory() as held, Devices(Path(held)) as devices:
        card, one, two = (
            devices.image("ext4", size_bytes=256 << 20, name=name) for name in ("A003", "primary", "backup")
        )
        for drive in (card, one, two):
            (drive.mount / "lost+found").rmdir()
        for number in range(setting.size.clips):
            (card.mount / f"A003C{number:04}_260514.mov").write_bytes(os.urandom(2_000))
        bench.command(["offload", card.mount, "--to", one.mount, "--to", two.mount, "--roll", "A003"])
        for _ in range(max(setting.rounds, 3)):
            cost = bench.command(["may-wipe", card.mount, "--by", "the camera assistant"])
            row.figures.append(cost.seconds)
        row.note = f"the answer was {cost.answer.get('answer')}, basis {cost.answer.get('basis')}"
    row.meets = row.median <= 1
    return [row]


ROWS = {
    "large": large, "memory": memory, "small": small, "unequal": unequal, "algorithms": algorithms, "many": many,
    "huge": huge, "start-up": start_up, "may-wipe": wipe_answer,
}  # fmt: skip


def _said(row: Row) -> str:
    spread = row.ratios or row.figures
    many = f" ({min(spread):.2f}–{max(spread):.2f})" if len(spread) > 1 else ""
    return f"{row.median:.2f}{' ' + row.unit if row.unit else ''}{many}"


def machine() -> str:
    """This machine in a line."""
    about = Path("/proc/cpuinfo")
    known = about.read_text().splitlines() if about.exists() else []
    names = [line.partition(":")[2].strip() for line in known if "model name" in line]
    model = names[0] if names else platform.processor()
    pages = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**30 if hasattr(os, "sysconf") else 0
    return (
        f"{os.cpu_count()} processors ({model}), {pages:.0f} GiB of memory, {platform.system()} {platform.release()},"
        f" Python {platform.python_version()}"
    )


def page(rows: list[Row], size: str, scratch: str) -> str:
    """The table for the docs."""
    lines = [
        "# Benchmarks",
        "",
        "Written by `make bench`; figures of other machines, or of other runs, do not compare. A ratio is the time of"
        " what the row names after its colon over the tool's: above 1 the tool was faster. In brackets the smallest"
        " and the largest of all rounds.",
        "",
        f"Machine: {machine()}; size `{size}`; {scratch}; {datetime.now(UTC):%Y-%m-%d}.",
        "",
        "| row | target | measured | target met | peak memory | processor time | remark |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        peak = f"{row.peak_mib:.0f} MiB" if row.peak_mib else ""
        processor = f"{row.processor_seconds:.1f} s" if row.processor_seconds else ""
        met = {True: "yes", False: "no", None: ""}[row.meets]
        lines.append(f"| {row.name} | {row.target} | {_said(row)} | {met} | {peak} | {processor} | {row.note} |")
    return "\n".join(lines) + "\n"


def main() -> int:
    """Run the rows asked for and write them down."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", choices=SIZES, default="middle")
    parser.add_argument("--only", choices=ROWS, nargs="+", default=list(ROWS))
    parser.add_argument("--scratch", type=Path, default=ROOT)
    parser.add_argument("--rounds", type=int, default=None)
    parser.add_argument("--out", type=Path, default=ROOT / "docs", help="where the two files go")
    given = parser.parse_args()
    missing = [name for name in ("fio", "xxhsum") if shutil.which(name) is None]
    if missing:
        print(f"not installed: {', '.join(missing)}", file=sys.stderr)
        return 1
    rows: list[Row] = []
    size = SIZES[given.size]
    with tempfile.TemporaryDirectory(dir=given.scratch, prefix="rollproof-bench-") as folder:
        os.environ["ROLLPROOF_HOME"] = str(Path(folder) / "home")
        setting = Setting(Path(folder), size, given.rounds or size.rounds)
        for name in given.only:
            for row in ROWS[name](setting):
                rows.append(row)
                met = {True: "", False: "  MISSED", None: ""}[row.meets]
                print(f"{row.name:72} {row.target:>18}  {_said(row)}{met}  {row.note}", flush=True)
    given.out.mkdir(parents=True, exist_ok=True)
    told = {"machine": machine(), "size": given.size, "rows": [row.as_json() for row in rows]}
    (given.out / "benchmarks.json").write_text(json.dumps(told, indent=1) + "\n")
    (given.out / "benchmarks.md").write_text(page(rows, given.size, "one disk, warmed"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
