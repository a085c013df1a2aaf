"""What an offload finds wrong with a copy that was proven before stays known, whatever happened next: on real drives,
by kill -9, Ctrl-C and a drive that dies or hangs, and of the recorded copy that is copied from."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from rollproof.ledger.opening import open_ledger
from rollproof.models.events import FindingRaised
from rollproof.models.findings import Kind
from rollproof.models.requests import OffloadRequest
from rollproof.models.results import OffloadResult
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.storage.posix import LinuxIo
from rollproof.storage.system import system_io
from rollproof.workflows.offload import offload
from support.devices import Devices, Drive
from support.faults import Rule, Stall
from support.faulty_io import FaultyIo
from workflows.station import SMALL, fill
from workflows.test_bad_news import KEEP, WIPE, away, until_closed, why_not
from workflows.wipe_bench import FIRST, Bench

pytestmark = pytest.mark.device

MORE = ("xxh128", "sha256")
"""With another algorithm wanted, no record proves enough: what is found on the drives is read again."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("bad-news-offload")
    with Devices(folder) as devices:
        (folder / "work").mkdir()
        yield Bench(devices, folder / "work")


@pytest.fixture
def bench(made: Bench) -> Bench:
    """The card is proven on two drives, and may be wiped."""
    made.sweep()
    made.offload()
    assert made.ask().answer == WIPE
    return made


KILLED = """
import json, os, signal, sys
from pathlib import Path
from rollproof.models.requests import OffloadRequest
from rollproof.station.context import Context
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.offload import offload
from workflows.station import SMALL
from workflows.test_bad_news import until_bad

asked = json.loads(sys.argv[1])

class Killed(LinuxIo):
    def open_read(self, name, folder, *, direct):
        if name == b"NOTES.TXT" and os.readlink(f"/proc/self/fd/{folder}").startswith(asked["drive"]):
            until_bad()
            os.kill(os.getpid(), signal.SIGKILL)
        return super().open_read(name, folder, direct=direct)

request = OffloadRequest(
    cards=(os.fsencode(asked["source"]),), destinations=tuple(map(os.fsencode, asked["to"])),
    working_folder=os.fsencode(asked["folder"]), roll=asked["roll"], hashes=tuple(asked["hashes"]),
)
offload(request, Context.of(io=Killed(), settings=SMALL))
"""


def killed(bench: Bench, drive: Drive, *, source: Path | None = None, to: tuple[Path, ...] = ()) -> None:
    """An offload in a process of its own, killed -9 when it opens the last file on this drive."""
    paths = [os.environ.get("PYTHONPATH", ""), str(Path(__file__).parents[1])]
    variables = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in paths if path)}
    asked = {
        "drive": str(drive.mount),
        "source": str(source or bench.card.mount),
        "to": [str(path) for path in to or (bench.one.mount, bench.two.mount)],
        "folder": str(bench.folder),
        "roll": None if source else "A003",
        "hashes": MORE,
    }
    done = subprocess.run(
        [sys.executable, "-c", KILLED, json.dumps(asked)], env=variables, check=False, capture_output=True, timeout=60
    )
    assert done.returncode == -signal.SIGKILL, done.stderr


def test_a_repeated_offload_killed_in_its_read_back_keeps_the_damage_it_found(bench: Bench) -> None:
    bench.one.flip(bench.roll(bench.one) / FIRST, 1_000)
    killed(bench, bench.one)
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert f"{FIRST} is not what was recorded" in why_not(answer)


def test_a_repeated_offload_killed_before_it_found_anything_counts_no_absent_copy(bench: Bench) -> None:
    killed(bench, bench.one)
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert "was not finished" in why_not(answer)
    assert bench.offload().verdict == "proven"
    assert away(bench, bench.one).answer == WIPE, "run to its end, it read everything: that settles it"


def test_where_bad_news_stands_an_offload_reads_what_a_record_proves(bench: Bench) -> None:
    bench.one.flip(bench.roll(bench.one) / FIRST, 1_000)
    killed(bench, bench.one)
    (bench.roll(bench.one) / "NOT-FINISHED.rollproof-partial").unlink()
    again = bench.offload()
    assert again.verdict == "not proven", "no record is trusted while this station knows better"
    assert any(found.kind == "readback-differs" for each in again.rolls[0].destinations for found in each.findings)
    assert away(bench, bench.one).answer == KEEP


def test_a_drive_that_died_in_the_read_back_counts_no_more_when_it_is_away(bench: Bench) -> None:
    killed_off: list[bytes] = []

    class Dead(LinuxIo):
        """The drive's file system answers nothing more, and then the program is not there to tell of it."""

        def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
            there = os.readlink(f"/proc/self/fd/{folder}")
            if name.endswith(b".mov") and there.startswith(str(bench.one.mount)) and not killed_off:
                killed_off.append(name)
                bench.one.cut_power(log_flushed=True)
            return super().open_read(name, folder, direct=direct)

    result = bench.offload(io=Dead(), hashes=MORE)
    assert result.verdict == "not proven"
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert "this station last found" in why_not(answer)


def test_a_drive_that_hangs_in_the_read_back_is_put_down_before_the_offload_ends(bench: Bench) -> None:
    released = threading.Event()
    io = FaultyIo(system_io(), [Rule(Stall(released), "read_into", path=b"*.mov", drive=os.fsencode(bench.one.mount))])
    known: list[str] = []

    def heard(event: object) -> None:
        if isinstance(event, FindingRaised) and event.finding.kind is Kind.DRIVE_HANGS:
            with open_ledger() as ledger:
                known.extend(each.why for places in ledger.unsettled_readings().values() for each in places)

    request = OffloadRequest(
        cards=(os.fsencode(bench.card.mount),),
        destinations=(os.fsencode(bench.one.mount), os.fsencode(bench.two.mount)),
        working_folder=os.fsencode(bench.folder),
        roll="A003",
        hashes=MORE,
    )
    try:
        result = offload(request, Context.of(emit=heard, io=io, settings=SMALL))
        assert result.verdict == "not proven"
        assert any("has not answered for" in why for why in known), "while the other drive is still being read"
    finally:
        released.set()
        io.abandon()
    until_closed(bench.one)
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert "has not answered for" in why_not(answer)


def test_a_copy_that_somebody_deleted_is_gone_also_when_its_new_offload_is_killed(bench: Bench) -> None:
    for path in sorted(bench.roll(bench.one).rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    bench.roll(bench.one).rmdir()
    killed(bench, bench.one)
    assert away(bench, bench.one).answer == KEEP


def test_a_fresh_offload_writes_nothing_into_the_ledger_before_its_end(bench: Bench) -> None:
    fill(bench.card.mount, {"CLIP/A004C001_260514.mov": 50_000})
    seen: list[int] = []

    class Watching(LinuxIo):
        def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
            with open_ledger() as ledger:
                seen.append(sum(map(len, ledger.unsettled_readings().values())))
            return super().open_read(name, folder, direct=direct)

    assert bench.offload(bench.three, io=Watching(), roll="A004").rolls[0].verdict == "proven"
    assert set(seen) == {0}


# --- the recorded copy that is copied from


def copied_on(bench: Bench, io: Io | None = None) -> OffloadResult:
    """The roll on the first drive copied to the third."""
    request = OffloadRequest(
        cards=(os.fsencode(bench.roll(bench.one)),),
        destinations=(os.fsencode(bench.three.mount),),
        working_folder=os.fsencode(bench.folder),
    )
    return offload(request, Context.of(io=io, settings=SMALL))


def test_damage_of_the_source_is_kept_when_the_copying_from_it_is_killed(bench: Bench) -> None:
    bench.one.flip(bench.roll(bench.one) / FIRST, 1_000)
    killed(bench, bench.one, source=bench.roll(bench.one), to=(bench.three.mount,))
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert f"{FIRST} is not what was recorded" in why_not(answer)


def test_a_source_that_was_read_to_its_end_settles_a_reading_that_was_killed(bench: Bench) -> None:
    killed(bench, bench.one, source=bench.roll(bench.one), to=(bench.three.mount,))
    assert away(bench, bench.one).answer == KEEP
    assert copied_on(bench).rolls[0].destinations[0].state == "proven"
    assert away(bench, bench.one).answer == WIPE


def test_a_file_that_the_source_lost_is_put_down_though_the_offload_is_refused(bench: Bench) -> None:
    (bench.roll(bench.one) / FIRST).unlink()
    (bench.three.mount / "A003").write_text("in the way")
    assert copied_on(bench).verdict == "refused"
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert f"{FIRST} is recorded and not there" in why_not(answer)
