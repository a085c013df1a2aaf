"""What a reading found wrong stays known, whatever happened next: on real drives, and by kill -9, Ctrl-C and a drive
that dies or hangs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rollproof.ledger.opening import open_ledger
from rollproof.models.errors import Interrupted
from rollproof.models.requests import Cancel, VerifyRequest
from rollproof.models.results import MayWipeResult, VerifyResult
from rollproof.station.context import Context
from rollproof.storage.io import Io
from rollproof.storage.posix import LinuxIo
from rollproof.storage.system import system_io
from rollproof.workflows.verify import verify
from support.devices import Devices, Drive
from support.faults import Rule, Stall
from support.faulty_io import FaultyIo
from workflows.station import SMALL
from workflows.wipe_bench import FIRST, Bench

pytestmark = pytest.mark.device

WIPE, KEEP = "MAY WIPE", "KEEP"
LAST = "CLIP/A003C003_260514.mov"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("bad-news")
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


def away(bench: Bench, drive: Drive, **changes: Any) -> MayWipeResult:
    """The question, with this drive unplugged."""
    drive.unplug()
    try:
        return bench.ask(**changes)
    finally:
        drive.plug_in()


def why_not(answer: MayWipeResult, drive: str = "primary") -> str:
    return "; ".join(copy.why for copy in answer.copies if not copy.counted and copy.drive == drive)


def verified(bench: Bench, drive: Drive, io: Io | None = None, cancel: Cancel | None = None) -> VerifyResult:
    return verify(
        VerifyRequest((os.fsencode(drive.mount),)),
        Context.of(emit=lambda event: None, cancel=cancel or Cancel(), io=io, settings=SMALL),
    )


def test_a_drive_that_died_while_it_was_verified_counts_no_more_when_it_is_away(bench: Bench) -> None:
    reads: list[bytes] = []

    class Dead(LinuxIo):
        """The drive's file system answers nothing more, from the first clip on."""

        def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
            if name.endswith(b".mov"):
                if not reads:
                    bench.one.cut_power(log_flushed=True)
                reads.append(name)
            return super().open_read(name, folder, direct=direct)

    result = verified(bench, bench.one, io=Dead())
    assert result.verdict == "not proven"
    assert int(result.status) != 0
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert why_not(answer).startswith("it is absent, and this station last found")


def test_a_drive_that_hung_while_it_was_verified_counts_no_more_when_it_is_away(bench: Bench) -> None:
    released = threading.Event()
    io = FaultyIo(system_io(), [Rule(Stall(released), "read_into", path=b"*.mov", drive=os.fsencode(bench.one.mount))])
    try:
        result = verified(bench, bench.one, io=io)
        assert result.verdict == "not proven"
        assert any(found.kind == "drive-hangs" for copy in result.copies for found in copy.findings)
        answer = bench.ask()  # (another command holds its lock, so to say: it is at hand, and does not count)
        assert answer.answer == KEEP
    finally:
        released.set()
        io.abandon()
    until_closed(bench.one)
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert "has not answered for" in why_not(answer)


def test_ctrl_c_in_the_last_clip_does_not_throw_away_the_damage_found_in_the_first(bench: Bench) -> None:
    bench.one.flip(bench.roll(bench.one) / FIRST, 1_000)
    cancel = Cancel()

    class Pressed(LinuxIo):
        """Ctrl-C when the last file is opened."""

        def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
            if name == b"NOTES.TXT" and os.readlink(f"/proc/self/fd/{folder}").endswith("A003"):
                until_bad()
                cancel.set()
            return super().open_read(name, folder, direct=direct)

    with pytest.raises(Interrupted) as told:
        verified(bench, bench.one, io=Pressed(), cancel=cancel)
    assert FIRST in told.value.message
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert f"{FIRST} is not what was recorded" in why_not(answer)
    attached = bench.ask()
    assert attached.answer == KEEP
    assert f"{FIRST} is not what was recorded" in why_not(attached)


KILLED = """
import os, signal, sys, time
from rollproof.models.requests import Cancel, VerifyRequest
from rollproof.storage.posix import LinuxIo
from rollproof.station.context import Context
from rollproof.workflows.verify import verify
from workflows.station import SMALL
from workflows.test_bad_news import until_bad

class Killed(LinuxIo):
    def open_read(self, name, folder, *, direct):
        if name == b"NOTES.TXT":
            until_bad()
            os.kill(os.getpid(), signal.SIGKILL)
        return super().open_read(name, folder, direct=direct)

asked = VerifyRequest((os.fsencode(sys.argv[1]),))
verify(asked, Context.of(io=Killed(), settings=SMALL))
"""


def killed_in_the_last_file(drive: Drive) -> None:
    """A verify in a process of its own, killed -9 when it opens the last file."""
    paths = [os.environ.get("PYTHONPATH", ""), str(Path(__file__).parents[1])]
    variables = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in paths if path)}
    done = subprocess.run(
        [sys.executable, "-c", KILLED, drive.mount], env=variables, check=False,
        capture_output=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == -signal.SIGKILL, done.stderr


def test_kill_9_in_the_last_clip_does_not_throw_away_the_damage_found_in_the_first(bench: Bench) -> None:
    bench.one.flip(bench.roll(bench.one) / FIRST, 1_000)
    killed_in_the_last_file(bench.one)
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert f"{FIRST} is not what was recorded" in why_not(answer)
    assert bench.ask().answer == KEEP, "attached it counts as little: no record on the drive says so"
    assert verified(bench, bench.one).verdict == "not proven"


def test_a_verify_killed_before_it_found_anything_keeps_the_copy_from_counting_while_it_is_away(bench: Bench) -> None:
    killed_in_the_last_file(bench.one)
    answer = away(bench, bench.one)
    assert answer.answer == KEEP
    assert "was not finished" in why_not(answer)
    assert bench.ask().answer == WIPE, "at hand, it is judged by its records and its files"
    assert away(bench, bench.one).answer == KEEP, "having been seen is no reading"
    assert verified(bench, bench.one).verdict == "proven"
    assert away(bench, bench.one).answer == WIPE, "a full clean one settles it"


def until_bad(seconds: float = 2.0) -> None:
    """Wait until the ledger knows of damage, or so long: files are compared in another thread than opened."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        with open_ledger() as ledger, ledger.reading() as connection:
            if connection.exec_driver_sql("SELECT 1 FROM copies WHERE state = 'failed'").first() is not None:
                return
        time.sleep(0.02)


def until_closed(drive: Drive) -> None:
    """Wait until nobody has a file open on the drive."""
    end = time.monotonic() + 10
    while time.monotonic() < end:
        held = [os.readlink(f"/proc/self/fd/{name}") for name in os.listdir("/proc/self/fd") if _alive(name)]
        if not any(path.startswith(str(drive.mount)) for path in held):
            return
        time.sleep(0.05)


def _alive(name: str) -> bool:
    return os.path.lexists(f"/proc/self/fd/{name}")
