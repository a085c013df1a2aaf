"""Runs of offload and verify in processes of their own, without the price of starting Python for each.

A server process holds everything imported and has one thread. For every order it forks; the child does the work with
the real workflows, drives and calls, and is SIGKILLed by its parent at the instant asked for, or cuts the power of
the drives and its own at the sync asked for. Linux only.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from rollproof.drives.system import system_drives
from rollproof.models.events import DriveDone, Event, Leg, LegEnded
from rollproof.models.requests import Cancel, OffloadRequest, VerifyRequest
from rollproof.models.results import OffloadResult, VerifyResult
from rollproof.reading.settings import Settings
from rollproof.station.context import Context
from rollproof.storage.system import system_io
from rollproof.workflows.offload import offload
from rollproof.workflows.verify import verify
from support.devices import Drive
from support.faulty_io import FaultyIo
from support.spare_disks import SpareDisks
from support.still_drives import StillDrives

SETTINGS = Settings(
    block_bytes=64 << 10, small_file_bytes=16 << 10, flush_files=2, flush_bytes=1 << 20, flush_large_bytes=256 << 10,
    stall_seconds=20.0, cancel_seconds=0.5,
)  # fmt: skip
"""Small blocks and frequent flushes: many different instants in a small offload."""

SYNCS = ("flush", "flush_volume")
CHANGES = (
    *SYNCS, "create", "write_from", "truncate", "allocate", "set_modified", "make_folder", "remove_folder",
    "rename_no_replace", "rename_over", "remove",
)  # fmt: skip
"""Calls after which a drive is not what it was before."""
_LONGEST_SECONDS = 60.0


@dataclass(frozen=True)
class Cut:
    """The power of all drives and of the computer goes right after the `nth` of these calls on one drive.

    `nth` 0 never comes: the calls are only counted.
    """

    drive: str
    nth: int
    log_flushed: bool
    operations: Sequence[str] = SYNCS


@dataclass(frozen=True)
class Order:
    """One run. For an offload `card` goes to all `drives`; a verify looks at `drives` alone."""

    work: str
    drives: Sequence[str]
    card: str = ""
    roll: str = ""
    cut: Cut | None = None


@dataclass
class Done:
    """How a run ended. `verdict` is empty when it was killed or crashed; `said` are its errors, one sentence each.

    `written` and `sealed` are the drives of which it was told before the end that everything is written, and that the
    copy is proven; `sealed_seconds` is when the last of those was told.
    """

    killed: bool
    seconds: float
    verdict: str = ""
    crash: str = ""
    said: list[str] = field(default_factory=list)
    written: list[str] = field(default_factory=list)
    sealed: list[str] = field(default_factory=list)
    calls: dict[str, int] = field(default_factory=dict)
    sealed_seconds: float = 0.0


class Orders:
    """The server, as its client sees it. `home` is the station's own folder for all runs."""

    def __init__(self, home: Path) -> None:
        home.mkdir(parents=True, exist_ok=True)
        kept = {name: value for name, value in os.environ.items() if not name.startswith("ROLLPROOF_")}
        tests = str(Path(__file__).resolve().parent.parent)
        kept["PYTHONPATH"] = os.pathsep.join(filter(None, (tests, os.environ.get("PYTHONPATH"))))
        self._server = subprocess.Popen(
            [sys.executable, "-m", "campaigns.orders"],
            env={**kept, "ROLLPROOF_HOME": str(home)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the server."""
        assert self._server.stdin is not None
        self._server.stdin.close()
        self._server.wait(10)

    def run(self, order: Order, *, kill_after: float | None = None) -> Done:
        """Carry out an order; SIGKILL its process so many seconds after it began, if it still runs then."""
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write(json.dumps({"order": asdict(order), "kill_after": kill_after}) + "\n")
        self._server.stdin.flush()
        answer = self._server.stdout.readline()
        if not answer:
            raise RuntimeError("the server of the campaign ended")
        return Done(**json.loads(answer))


# --- the server


def serve() -> None:
    """Carry out one order for each line on stdin until it ends."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 1)
    with contextlib.suppress(KeyboardInterrupt):
        for line in sys.stdin:
            asked = json.loads(line)
            order = asked["order"]
            cut = order.pop("cut")
            made = Order(**order, cut=Cut(**cut) if cut else None)
            answers.write(json.dumps(asdict(_carry_out(made, asked["kill_after"]))) + "\n")
            answers.flush()


def _carry_out(order: Order, kill_after: float | None) -> Done:
    places = StillDrives(SpareDisks(system_drives()))
    for path in (order.card, *order.drives):
        if path:  # asked before the fork: nobody plugs anything in while the child works
            volume = places.volume_of(os.fsencode(path))
            places.medium_now(volume)
            places.other_partitions(volume)
    reading, writing = os.pipe()
    began = time.monotonic()
    child = os.fork()
    if not child:
        try:
            os.setsid()
            _Child(writing, places).work(order)
        finally:
            os._exit(1)
    os.close(writing)
    told = bytearray()
    handle = os.pidfd_open(child)
    limit = began + (_LONGEST_SECONDS if kill_after is None else kill_after)
    while not _ended(handle, reading, told, limit - time.monotonic()):
        if time.monotonic() >= limit:
            with contextlib.suppress(ProcessLookupError):  # before it made a group of its own
                os.killpg(child, signal.SIGKILL)
            os.kill(child, signal.SIGKILL)
            break
    _, status = os.waitpid(child, 0)
    done = Done(os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL, time.monotonic() - began)
    if done.killed and kill_after is None and order.cut is None:
        done.crash = "it hung"
    while piece := os.read(reading, 1 << 16):
        told += piece
    os.close(reading)
    os.close(handle)
    _take_down(done, bytes(told))
    return done


def _ended(handle: int, reading: int, told: bytearray, seconds: float) -> bool:
    """Wait for the child's end (True), or for words of it, at most so long."""
    watch = select.poll()
    watch.register(handle, select.POLLIN)
    watch.register(reading, select.POLLIN)
    ready = [found for found, _ in watch.poll(max(0.0, seconds) * 1000)]
    if handle in ready:
        return True
    if reading in ready:
        told += os.read(reading, 1 << 16)
    return False


def _take_down(done: Done, told: bytes) -> None:
    for line in told.decode("utf-8", "replace").splitlines():
        try:
            word = json.loads(line)
        except ValueError:
            continue  # the last one, torn by the kill
        for name in ("verdict", "crash", "said", "calls"):
            if name in word:
                setattr(done, name, word[name])
        if "written" in word:
            done.written.append(word["written"])
        if "sealed" in word:
            done.sealed.append(word["sealed"])
            done.sealed_seconds = word["after"]


class _Child:
    """The forked process: does the work and tells it line by line through a pipe."""

    def __init__(self, writing: int, places: StillDrives) -> None:
        self._writing = writing
        self._places = places
        self._over = threading.Event()
        self._began = time.monotonic()

    def tell(self, **words: Any) -> None:
        os.write(self._writing, json.dumps(words).encode() + b"\n")

    def emit(self, event: Event) -> None:
        if self._over.is_set():
            return
        if isinstance(event, LegEnded) and event.leg is Leg.WRITE and event.ok:
            self.tell(written=event.drive)
        elif isinstance(event, DriveDone) and event.state == "proven":
            self.tell(sealed=event.drive, after=time.monotonic() - self._began)

    def work(self, order: Order) -> None:
        io = _CuttingIo(order.cut, order.drives, self._over) if order.cut is not None else None
        try:
            result = self._run(order, io)
        except BaseException:  # noqa: BLE001 - a traceback is a finding of the campaign
            self.tell(crash=traceback.format_exc())
            os._exit(1)
        if io is not None:
            self.tell(calls=dict(io.counted))
        self.tell(said=_errors(result)[:20])
        self.tell(verdict=result.verdict)
        os._exit(0)

    def _run(self, order: Order, io: _CuttingIo | None) -> OffloadResult | VerifyResult:
        drives = tuple(os.fsencode(path) for path in order.drives)
        if order.work == "verify":
            return verify(
                VerifyRequest(paths=drives),
                Context.of(emit=self.emit, cancel=Cancel(), io=io, drives=self._places, settings=SETTINGS),
            )
        request = OffloadRequest(
            cards=(os.fsencode(order.card),),
            destinations=drives,
            roll=order.roll,
            working_folder=os.path.dirname(os.fsencode(order.card)),
        )
        return offload(
            request, Context.of(emit=self.emit, cancel=Cancel(), io=io, drives=self._places, settings=SETTINGS)
        )


class _CuttingIo(FaultyIo):
    """Counts calls that change something, and after one of them lets the power go."""

    def __init__(self, cut: Cut, drives: Sequence[str], over: threading.Event) -> None:
        super().__init__(system_io())
        self._cut = cut
        self._drives = drives
        self._over = over
        self._count_lock = threading.Lock()
        self.counted: Counter[str] = Counter()

    def _after(self, operation: str, handle: int) -> None:
        at = self._at(handle).drive
        drive = next(
            (top for top in self._drives if at == os.fsencode(top) or at.startswith(os.fsencode(top + "/"))), ""
        )
        if operation not in self._cut.operations or not drive:
            return
        with self._count_lock:
            self.counted[drive] += 1
            if drive == self._cut.drive and self.counted[drive] == self._cut.nth:
                self._let_the_power_go()

    def _let_the_power_go(self) -> None:
        self._over.set()  # nothing told from here on has to be true
        for top in self._drives:
            Drive(Path(os.devnull), Path(top), "").cut_power(log_flushed=self._cut.log_flushed)
        os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(_LONGEST_SECONDS)

    def flush(self, handle: int) -> None:
        """See `Io`."""
        super().flush(handle)
        self._after("flush", handle)

    def flush_volume(self, handle: int) -> None:
        """See `Io`."""
        super().flush_volume(handle)
        self._after("flush_volume", handle)

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        """See `Io`."""
        handle = super().create(name, folder, direct=direct)
        self._after("create", handle)
        return handle

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        """See `Io`."""
        count = super().write_from(handle, view, offset)
        self._after("write_from", handle)
        return count

    def truncate(self, handle: int, size: int) -> None:
        """See `Io`."""
        super().truncate(handle, size)
        self._after("truncate", handle)

    def allocate(self, handle: int, size: int) -> None:
        """See `Io`."""
        super().allocate(handle, size)
        self._after("allocate", handle)

    def set_modified(self, handle: int, modified_ns: int) -> None:
        """See `Io`."""
        super().set_modified(handle, modified_ns)
        self._after("set_modified", handle)

    def make_folder(self, name: bytes, folder: int) -> None:
        """See `Io`."""
        super().make_folder(name, folder)
        self._after("make_folder", folder)

    def remove_folder(self, name: bytes, folder: int) -> None:
        """See `Io`."""
        super().remove_folder(name, folder)
        self._after("remove_folder", folder)

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        """See `Io`."""
        super().rename_no_replace(old, new, folder)
        self._after("rename_no_replace", folder)

    def rename_over(self, old: bytes, new: bytes, folder: int) -> None:
        """See `Io`."""
        super().rename_over(old, new, folder)
        self._after("rename_over", folder)

    def remove(self, name: bytes, folder: int) -> None:
        """See `Io`."""
        super().remove(name, folder)
        self._after("remove", folder)


def _errors(result: OffloadResult | VerifyResult) -> list[str]:
    if isinstance(result, OffloadResult):
        told = [finding for roll in result.rolls for finding in roll.findings]
        told += [finding for roll in result.rolls for at in roll.destinations for finding in at.findings]
    else:
        told = [*result.findings, *(finding for copy in result.copies for finding in copy.findings)]
    return [f"{at.kind} [{at.drive}] {at.path}: {at.detail}" for at in told if at.severity == "error"]


if __name__ == "__main__":
    serve()
