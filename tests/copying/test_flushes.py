"""Small files where a file system has no flush for all of them: flushed at the same time, each one still by itself."""

from __future__ import annotations

import errno
import os
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from copying.rig import SMALL, Rig
from rollproof.copying.flushes import flush_all
from rollproof.copying.plan import Action
from rollproof.copying.writer import WriteWays
from rollproof.models.findings import Kind
from rollproof.storage.posix import LinuxIo

AT_ONCE = 3
MANY = 20
TOGETHER = 6
ALONE = WriteWays(direct=False, allocate=False, volume_flush=False, flushes_at_once=AT_ONCE)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    made = Rig(tmp_path, settings=replace(SMALL, flush_open_files=TOGETHER), ways=ALONE)
    made.fill({f"F{number:03}.dng": 1000 + number for number in range(MANY)})
    return made


class Flushes(LinuxIo):
    """Counts flushes, and how many were under way at the same time; those of `bad` handles fail."""

    def __init__(self, bad: dict[int, BaseException]) -> None:
        super().__init__()
        self.bad = bad
        self.done: list[int] = []
        self.most = self.now = 0
        self._guard = threading.Lock()

    def flush(self, handle: int) -> None:
        with self._guard:
            self.now += 1
            self.most = max(self.most, self.now)
            self.done.append(handle)
        time.sleep(0.1 if threading.current_thread().name.startswith("flush-") else 0.01)
        with self._guard:
            self.now -= 1
        if handle in self.bad:
            raise self.bad[handle]


@pytest.mark.parametrize("at_once", [1, 2, 5, 50])
def test_every_file_is_flushed_once_and_no_more_at_a_time_than_asked_for(at_once: int) -> None:
    bad: dict[int, BaseException] = {3: OSError(errno.EIO, "bad"), 7: RuntimeError("a bug")}
    io = Flushes(bad)
    assert flush_all(io, range(10), at_once) == [bad.get(handle) for handle in range(10)]
    assert sorted(io.done) == list(range(10))
    assert io.now == 0, "a handle that is still being flushed is closed, and its number is soon another file's"
    assert io.most <= at_once
    assert io.most == 1 or at_once > 1


def test_no_flush_of_nothing() -> None:
    assert flush_all(Flushes({}), [], 8) == []


def test_no_file_gets_its_name_before_it_was_flushed_by_itself(rig: Rig) -> None:
    flushed: set[str] = set()
    early: list[bytes] = []

    class Order(HookedIo):
        def flush(self, handle: int) -> None:
            super().flush(handle)
            flushed.add(os.readlink(f"/proc/self/fd/{handle}"))

        def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
            if f"{os.readlink(f'/proc/self/fd/{folder}')}/{old.decode()}" not in flushed:
                early.append(new)
            super().rename_no_replace(old, new, folder)

    run = rig.run(io=Order(lambda operation, name, given: None))
    assert early == []
    assert all(len(run.proven(drive)) == MANY for drive in rig.drives)
    assert len([path for path in flushed if path.endswith(".rollproof-partial")]) == 2 * MANY


def test_only_so_many_small_files_are_kept_open_for_their_flush(rig: Rig) -> None:
    open_now: set[int] = set()
    most = 0

    class Counting(HookedIo):
        def create(self, name: bytes, folder: int, *, direct: bool) -> int:
            nonlocal most
            handle = super().create(name, folder, direct=direct)
            open_now.add(handle)
            most = max(most, len(open_now))
            return handle

        def close(self, handle: int) -> None:
            open_now.discard(handle)
            super().close(handle)

    rig.drives = ("one",)
    run = rig.run(io=Counting(lambda operation, name, given: None))
    assert len(run.proven("one")) == MANY
    assert most == TOGETHER
    assert not open_now


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.ENODEV])
def test_a_file_whose_flush_failed_has_no_name_and_nothing_unfinished_stays(rig: Rig, code: int) -> None:
    """Those flushed before it in the same group have theirs, so that the next run need not copy them again."""

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "flush" and name == b"F008.dng.rollproof-partial" and "/one/" in _path(given[0]):
            raise OSError(code, os.strerror(code))

    run = rig.run(io=HookedIo(hook))
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    assert lanes["one"].state == "failed"
    assert lanes["one"].failure is not None
    assert "F008.dng" in lanes["one"].failure.path
    assert {path.name for path in (rig.top / "one").iterdir()} == {f"F{number:03}.dng" for number in range(8)}
    assert run.proven("one") == set()
    assert len(run.proven("two")) == MANY


def test_a_name_that_one_file_cannot_have_does_not_keep_the_others_of_its_group_from_theirs(rig: Rig) -> None:
    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "flush" and name == b"F008.dng.rollproof-partial" and "/one/" in _path(given[0]):
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))

    run = rig.run(io=HookedIo(hook))
    assert run.proven("one") == {f"F{number:03}.dng".encode() for number in range(MANY) if number != 8}
    (fault,) = run.board.copy_findings("one")
    assert fault.path == "F008.dng"
    assert not [path.name for path in (rig.top / "one").iterdir() if path.name.endswith("partial")]


def test_a_close_that_fails_counts_as_a_failed_write(rig: Rig) -> None:
    """Some servers tell only then that they could not keep the bytes."""

    class Closing(HookedIo):
        def close(self, handle: int) -> None:
            name, place = self.name_of(handle), _path(handle)
            super().close(handle)
            if name == b"F003.dng.rollproof-partial" and "/one/" in place:
                raise OSError(errno.EDQUOT, os.strerror(errno.EDQUOT))

    run = rig.run(io=Closing(lambda operation, name, given: None))
    failed = {lane.drive: lane.failure for lane in run.outcome.lanes}
    assert failed["one"] is not None
    assert failed["one"].kind is Kind.DRIVE_FULL
    assert not (rig.top / "one" / "F003.dng").exists()
    assert failed["two"] is None


def test_a_drive_that_hangs_in_one_of_its_flushes_is_left_behind(rig: Rig) -> None:
    let_go = threading.Event()

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "flush" and name == b"F004.dng.rollproof-partial" and "/one/" in _path(given[0]):
            let_go.wait(30)

    run = rig.run(io=HookedIo(hook))
    let_go.set()
    lanes = {lane.drive: lane for lane in run.outcome.lanes}
    assert lanes["one"].failure is not None
    assert lanes["one"].failure.kind is Kind.DRIVE_HANGS
    assert len(run.proven("two")) == MANY


def test_a_slow_drive_that_flushes_very_many_files_found_there_does_not_count_as_silent(rig: Rig) -> None:
    """Each flush comes back; together they take far longer than a drive may be silent."""
    rig.drives = ("one",)
    rig.run()
    rig.settings = replace(rig.settings, stall_seconds=0.5, flush_open_files=MANY)
    rig.ways = replace(ALONE, flushes_at_once=1)
    run = rig.run(io=_slow_to_flush(b".dng"), actions={"one": bytes([Action.HASH]) * MANY})
    assert [lane.failure for lane in run.outcome.lanes] == [None]
    assert len(run.proven("one")) == MANY


def test_a_slow_drive_whose_every_flush_comes_back_does_not_count_as_silent_while_it_is_written(rig: Rig) -> None:
    rig.settings = replace(rig.settings, stall_seconds=0.5, flush_open_files=MANY)
    rig.ways = replace(ALONE, flushes_at_once=1)
    rig.drives = ("one",)
    run = rig.run(io=_slow_to_flush(b".rollproof-partial"))
    assert [lane.failure for lane in run.outcome.lanes] == [None]
    assert len(run.proven("one")) == MANY


def test_a_system_that_allows_no_more_threads_has_each_file_flushed_all_the_same(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And no flush is under way any more when the files are closed: their numbers are soon those of other files."""
    start, begun = threading.Thread.start, 0
    closed_under_way: list[int] = []
    under_way: set[int] = set()

    def refused(thread: threading.Thread) -> None:
        nonlocal begun
        if thread.name.startswith("flush-"):
            begun += 1
            if begun > 1:
                raise RuntimeError("can't start new thread")
        start(thread)

    class Slow(HookedIo):
        def flush(self, handle: int) -> None:
            under_way.add(handle)
            time.sleep(0.01)
            super().flush(handle)
            under_way.discard(handle)

        def close(self, handle: int) -> None:
            if handle in under_way:
                closed_under_way.append(handle)
            super().close(handle)

    monkeypatch.setattr(threading.Thread, "start", refused)
    run = rig.run(io=Slow(lambda operation, name, given: None))
    assert begun > 1
    assert [lane.failure for lane in run.outcome.lanes] == [None, None]
    assert all(len(run.proven(drive)) == MANY for drive in rig.drives)
    assert closed_under_way == []


def test_where_few_files_may_be_open_each_is_flushed_before_the_next_is_begun(rig: Rig) -> None:
    order: list[str] = []

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation in ("create", "flush") and name.endswith(b".rollproof-partial"):
            order.append(operation)

    io = HookedIo(hook)
    io.open_together = 1
    rig.drives = ("one",)
    run = rig.run(io=io)
    assert len(run.proven("one")) == MANY
    assert order == ["create", "flush"] * MANY


def test_of_files_found_there_all_are_closed_although_one_cannot_be(rig: Rig) -> None:
    rig.drives = ("one",)
    rig.run()
    opened: set[int] = set()

    class Closing(HookedIo):
        def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
            handle = super().open_read(name, folder, direct=direct)
            if not direct:
                opened.add(handle)
            return handle

        def close(self, handle: int) -> None:
            name = self.name_of(handle)
            super().close(handle)
            opened.discard(handle)
            if name == b"F003.dng" and threading.current_thread().name == "drive-one":
                raise OSError(errno.EIO, os.strerror(errno.EIO))

    run = rig.run(io=Closing(lambda operation, name, given: None), actions={"one": bytes([Action.HASH]) * MANY})
    assert run.outcome.lanes[0].failure is not None
    assert not opened


def test_files_found_there_are_flushed_each_and_one_that_cannot_be_fails_the_drive(rig: Rig) -> None:
    """An earlier run may have ended before they were, and somebody else may never have flushed anything."""
    rig.drives = ("one",)
    rig.run()
    flushed: list[bytes] = []
    errors = {b"F003.dng": errno.EBADF}  # said by systems that flush only what is open for writing

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "flush" and name.endswith(b".dng"):
            flushed.append(name)
            if name in errors:
                raise OSError(errors[name], os.strerror(errors[name]))

    run = rig.run(io=HookedIo(hook), actions={"one": bytes([Action.HASH]) * MANY})
    assert sorted(flushed) == [f"F{number:03}.dng".encode() for number in range(MANY)]
    assert len(run.proven("one")) == MANY
    errors[b"F007.dng"] = errno.EIO
    run = rig.run(io=HookedIo(hook), actions={"one": bytes([Action.HASH]) * MANY})
    assert run.outcome.lanes[0].failure is not None
    assert run.proven("one") == set()


def test_a_file_that_was_found_and_is_gone_by_now_is_told_by_its_read_back(rig: Rig) -> None:
    rig.drives = ("one",)
    rig.run()
    (rig.top / "one" / "F005.dng").unlink()
    run = rig.run(actions={"one": bytes([Action.HASH]) * MANY})
    assert run.proven("one") == {f"F{number:03}.dng".encode() for number in range(MANY) if number != 5}


def _slow_to_flush(ending: bytes) -> HookedIo:
    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation == "flush" and name.endswith(ending):
            time.sleep(0.1)

    return HookedIo(hook)


def _path(handle: int) -> str:
    return os.readlink(f"/proc/self/fd/{handle}")
