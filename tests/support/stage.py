"""A small offload to be broken: one card, two drives, all of it on file systems of our own, run after run.

A run ends in one of three ways: with a result, killed at a call, or (a bug) with a traceback or not at all.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import threading
import time
import traceback
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from rollproof.drives.interface import Drives
from rollproof.drives.system import system_drives
from rollproof.ledger.opening import open_ledger
from rollproof.models.requests import Cancel, MayWipeRequest, OffloadRequest, Person, VerifyRequest
from rollproof.models.results import MayWipeResult, OffloadResult, VerifyResult
from rollproof.reading.settings import Settings
from rollproof.station.context import Context
from rollproof.station.keys import station_signer
from rollproof.storage.system import system_io
from rollproof.workflows.may_wipe import may_wipe
from rollproof.workflows.offload import offload
from rollproof.workflows.verify import verify
from support.devices import Devices, Drive, why_no_devices
from support.faults import Killed, Rule
from support.faulty_io import FaultyIo
from support.fuse_fs import FaultyDisk
from support.invariants import Copy, Known
from support.spare_disks import SpareDisks
from support.still_drives import StillDrives
from support.trees import Blob, Folder, Tree, build

ROLL = "A003"
DRIVES = ("one", "two")
CARD: Tree = {
    "CLIPS/A003C001.mov": Blob(70_000, seed=1),
    "CLIPS/A003C002.mov": Blob(9_001, seed=2),
    "A003.xml": b"<roll name='A003'/>",
    "SOUND": Folder(),
}
"""One file of several blocks, two small ones, one empty folder: every path of the engine in few calls."""

SETTINGS = Settings(
    block_bytes=32 << 10, small_file_bytes=16 << 10, flush_files=2, flush_bytes=1 << 20, stall_seconds=4.0,
    cancel_seconds=0.5,
)  # fmt: skip
_HOUR = re.compile(r"(.*\d{4}-\d\d-\d\d[T_])(\d\d)(\d{4}Z.*)")
_LONGEST_SECONDS = 30.0


@dataclass
class Ending:
    """How a run ended, beside its result: `crash` holds a traceback, or it `hung`, or it was killed."""

    io: FaultyIo
    crash: str = ""
    hung: bool = False
    seconds: float = 0.0

    @property
    def killed(self) -> bool:
        """Whether it ended as by SIGKILL."""
        return self.io.killed.is_set() and self.io.injected["killed"] > 0


@dataclass
class VerifyRun(Ending):
    """One verify."""

    result: VerifyResult | None = None


@dataclass
class WipeRun(Ending):
    """One question whether the card may be wiped."""

    result: MayWipeResult | None = None


@dataclass
class Run(Ending):
    """One offload. Without `result` it was killed, crashed or hung."""

    result: OffloadResult | None = None

    def states(self) -> dict[str, str]:
        """State of each drive, as told."""
        if self.result is None:
            return {}
        return {at.drive: at.state for at in self.result.rolls[0].destinations}


@dataclass
class Stage:
    """Card and drives. `top` holds the folders `card`, `one` and `two` (mount points, where devices can be had)."""

    home: Path
    card: Path
    drives: dict[str, Path]
    places: Drives
    known: Known
    strangers: dict[str, Known] = field(default_factory=dict)
    media: dict[str, Drive] = field(default_factory=dict)
    """The mounted images of card and drives, by name, where they are that."""
    disks: dict[str, FaultyDisk] = field(default_factory=dict)
    """Those of them that go wrong at will."""
    fresh_home: Path | None = None
    """A station that has done nothing yet, its key and ledger made: most of a small offload's time would go there."""
    _moves: int = 0

    def folders(self) -> dict[str, Path]:
        """The roll folders."""
        return {name: path / ROLL for name, path in self.drives.items()}

    def copies(self) -> dict[str, Copy]:
        """The roll folders as they are now."""
        return {name: Copy.at(folder) for name, folder in self.folders().items()}

    def clear(self) -> None:
        """Take the roll off all drives, and out of the station's memory."""
        self.move_to(self.fresh_home)
        for folder in self.folders().values():
            if folder.exists():
                shutil.rmtree(folder)

    def move_to(self, station: Path | None) -> None:
        """The memory of this station in a folder of its own (None: an empty one). Threads of a killed run may still
        be about to make the folder of their time."""
        shutil.rmtree(self.home, ignore_errors=True)
        self._moves += 1
        self.home = self.home.with_name(f"home {self._moves}")
        if station is not None:
            shutil.copytree(station, self.home)

    def keep(self, place: Path) -> None:
        """Keep the drives' present state in another folder."""
        for name, folder in self.folders().items():
            if folder.exists():
                shutil.copytree(folder, place / name, symlinks=True)

    def restore(self, place: Path) -> None:
        """Bring a kept state back."""
        self.clear()
        for name, folder in self.folders().items():
            if (place / name).exists():
                shutil.copytree(place / name, folder, symlinks=True)

    def let_an_hour_pass(self) -> None:
        """Unfinished records and manifests get the names they would have had an hour ago: a rerun has a later moment
        in its names, and must not owe its tidiness to having run in the same second."""
        for folder in self.folders().values():
            for partial in folder.glob("*/*.rollproof-partial"):
                if (found := _HOUR.search(partial.name)) is not None:
                    earlier = f"{(int(found[2]) - 1) % 24:02}"
                    partial.rename(partial.with_name(f"{found[1]}{earlier}{found[3]}"))

    def request(self) -> OffloadRequest:
        """The command of every run."""
        return OffloadRequest(
            cards=(os.fsencode(self.card),),
            destinations=tuple(os.fsencode(path) for path in self.drives.values()),
            roll=ROLL,
            working_folder=os.fsencode(self.card.parent),
        )

    def run(
        self,
        rules: Iterable[Rule] = (),
        *,
        settings: Settings = SETTINGS,
        on_fault: Callable[[], object] | None = None,
    ) -> Run:
        """Offload with these faults; `on_fault` is called at each that happens."""
        run = Run(FaultyIo(system_io(), rules, on_fault=on_fault, reads_at_once=4))

        def work() -> None:
            run.result = offload(
                self.request(),
                Context.of(emit=lambda event: None, cancel=Cancel(), io=run.io, drives=self.places, settings=settings),
                look=False,
            )

        self._conduct(run, work)
        if run.killed:
            run.result = None
        return run

    def verify(self, rules: Iterable[Rule] = ()) -> VerifyRun:
        """Verify the copies on all drives with these faults."""
        run = VerifyRun(FaultyIo(system_io(), rules, reads_at_once=4))

        def work() -> None:
            run.result = verify(
                VerifyRequest(tuple(os.fsencode(folder) for folder in self.folders().values())),
                Context.of(emit=lambda event: None, cancel=Cancel(), io=run.io, drives=self.places, settings=SETTINGS),
            )

        self._conduct(run, work)
        if run.killed:
            run.result = None
        return run

    def may_wipe(self, rules: Iterable[Rule] = ()) -> WipeRun:
        """Ask whether the card may be wiped, with these faults. Its clips hold noise, and a person takes that upon
        themselves."""
        accepted = tuple(sorted(os.fsdecode(path)[6:14] for path in self.known.files if path.endswith(b".mov")))
        run = WipeRun(FaultyIo(system_io(), rules, reads_at_once=4))

        def work() -> None:
            run.result = may_wipe(
                MayWipeRequest(
                    card=os.fsencode(self.card),
                    accepted=accepted,
                    reason="noise, for tests",
                    person=Person(name="data wrangler"),
                ),
                Context.of(emit=lambda event: None, cancel=Cancel(), io=run.io, drives=self.places, settings=SETTINGS),
            )

        self._conduct(run, work)
        if run.killed:
            run.result = None
        return run

    def _conduct(self, run: Ending, work: Callable[[], None]) -> None:
        """Do the work in a thread of its own, watch it, and end it as a process ends."""
        ended = threading.Event()

        def guarded() -> None:
            try:
                work()
            except Killed:
                pass
            except BaseException:  # noqa: BLE001 - a traceback is a finding of the sweep
                run.crash = traceback.format_exc()
            finally:
                ended.set()

        os.environ["ROLLPROOF_HOME"] = os.fspath(self.home)
        began = time.monotonic()
        with _quiet_threads():
            threading.Thread(target=guarded, name="under test", daemon=True).start()
            while not ended.wait(0.02):
                if run.killed or time.monotonic() - began > _LONGEST_SECONDS:
                    break
            if run.killed:
                ended.wait(0.05)  # no call of theirs is made any more; threads that wait for dead ones are left alone
            else:
                run.hung = not ended.is_set()
            run.io.abandon()
        run.seconds = time.monotonic() - began
        if run.killed:
            run.crash = ""


@contextlib.contextmanager
def _quiet_threads() -> Iterator[None]:
    """Threads of a killed process end without a word."""
    before = threading.excepthook

    def say(told: threading.ExceptHookArgs) -> None:
        if told.exc_type is not Killed:
            before(told)

    threading.excepthook = say
    try:
        yield
    finally:
        threading.excepthook = before


@contextlib.contextmanager
def stage(folder: Path, tree: Tree = CARD) -> Iterator[Stage]:
    """A card and two drives: ext4 images in memory where devices can be had, plain folders elsewhere."""
    with Devices(folder) as devices, contextlib.ExitStack() as closing:
        if why_no_devices():
            places = {name: folder / name for name in ("card", *DRIVES)}
            for place in places.values():
                place.mkdir(parents=True)
        else:
            memory = devices.tmpfs(512 << 20)
            inner = closing.enter_context(Devices(memory))
            places = {name: inner.image("ext4", size_bytes=16 << 20, name=name).mount for name in ("card", *DRIVES)}
            for place in places.values():
                (place / "lost+found").rmdir()
        build(places["card"], tree)
        drives = {name: places[name] for name in DRIVES}
        for path in drives.values():
            build(path, {"somebody else's.txt": b"not to be touched"})
        with pytest.MonkeyPatch.context() as environment:
            environment.setenv("ROLLPROOF_HOME", os.fspath(folder / "home"))
            fresh_home = folder / "fresh station"
            open_ledger(fresh_home).close()
            station_signer(fresh_home)(bytes(64))
            yield Stage(
                folder / "home",
                places["card"],
                drives,
                StillDrives(SpareDisks(system_drives())),
                Known.of(places["card"]),
                {name: Known.of(path) for name, path in drives.items()},
                fresh_home=fresh_home,
            )


def real_stage(
    devices: Devices,
    *,
    card: str = "ext4",
    one: str = "ext4",
    two: str = "ext4",
    faulty: Collection[str] = (),
    tree: Tree = CARD,
    in_memory: bool = False,
) -> Stage:
    """A card (mounted read-only) and two drives, each on a device of its own with this file system.

    Those named in `faulty` are on disks that go wrong at will; `in_memory` keeps the images there, for many runs.
    Questions about drives are asked of the system each time.
    """
    if in_memory:
        devices = devices.on_exit().enter_context(Devices(devices.tmpfs(2 << 30)))
    media: dict[str, Drive] = {}
    disks: dict[str, FaultyDisk] = {}
    for name, file_system in {"card": card, "one": one, "two": two}.items():
        if name in faulty:
            disks[name] = FaultyDisk(devices, file_system, name=name)
            media[name] = disks[name].drive
        else:
            media[name] = devices.image(file_system, name=name)
        lost_and_found = media[name].mount / "lost+found"
        if lost_and_found.exists():
            lost_and_found.rmdir()
    build(media["card"].mount, tree)
    known = Known.of(media["card"].mount)
    media["card"].replug(read_only=True)
    drives = {name: media[name].mount for name in DRIVES}
    for path in drives.values():
        build(path, {"somebody else's.txt": b"not to be touched"})
    os.sync()
    strangers = {name: Known.of(path) for name, path in drives.items()}
    home = devices.place("home")
    return Stage(home, media["card"].mount, drives, SpareDisks(system_drives()), known, strangers, media, disks)
