"""Reads handed to Linux together: each counts for itself, and none is left behind."""

from __future__ import annotations

import ctypes
import errno
import os
import threading
from pathlib import Path

import pytest

from rollproof.reading.buffers import Buffer
from rollproof.storage import linux_aio
from rollproof.storage.linux_aio import MOST, ReadsTogether
from rollproof.storage.posix import LinuxIo

SECTOR = 4096


def opened(path: Path, content: bytes, *flags: int) -> int:
    path.write_bytes(content)
    return os.open(path, sum(flags, os.O_RDONLY))


def together(handles: list[int], room: int = SECTOR) -> tuple[list[int], Buffer]:
    buffer = Buffer(room * len(handles))
    reads = [(handle, buffer.view[at * room : (at + 1) * room]) for at, handle in enumerate(handles)]
    reader = ReadsTogether()
    try:
        return reader.read(reads), buffer
    finally:
        reader.close()


def test_each_file_comes_into_its_own_place_directly_or_through_the_cache(tmp_path: Path) -> None:
    contents = [os.urandom(100 * (number + 1)) for number in range(MOST)]
    direct = [os.O_DIRECT if number % 2 else 0 for number in range(MOST)]
    handles = [opened(tmp_path / str(at), contents[at], direct[at]) for at in range(MOST)]
    counts, buffer = together(handles)
    assert counts == [len(content) for content in contents]
    for at, content in enumerate(contents):
        assert buffer.view[at * SECTOR : at * SECTOR + len(content)] == content


@pytest.mark.parametrize("bad", [0, 1, 4])
def test_one_that_fails_says_so_and_the_others_come(tmp_path: Path, bad: int) -> None:
    handles = [opened(tmp_path / str(at), bytes([at + 65]) * 10) for at in range(5)]
    os.close(handles[bad])
    handles[bad] = 1_000_000
    counts, buffer = together(handles)
    assert counts == [-1 if at == bad else 10 for at in range(5)]
    assert all(buffer.view[at * SECTOR] == at + 65 for at in range(5) if at != bad)


def test_what_the_disk_refuses_is_told_as_failed_too(tmp_path: Path) -> None:
    one, folder = opened(tmp_path / "one", b"x" * 10), os.open(tmp_path, os.O_RDONLY)
    askew = opened(tmp_path / "askew", b"x" * SECTOR, os.O_DIRECT)
    assert together([folder, one, askew], room=100)[0] == [-1, 10, -1], "a direct read of no whole sectors"


def test_more_than_there_is_room_for_is_a_mistake_and_an_empty_list_is_none(tmp_path: Path) -> None:
    handle = opened(tmp_path / "one", b"x")
    reader, view = ReadsTogether(), Buffer(SECTOR).view
    with pytest.raises(ValueError, match="33 reads"):
        reader.read([(handle, view)] * (MOST + 1))
    assert reader.read([]) == []
    assert reader.read([(handle, view)] * MOST) == [1] * MOST
    assert reader.read([(handle, view)]) == [1], "the room is there again"


def test_when_the_answers_cannot_be_had_nothing_is_under_way_any_more_and_all_count_as_failed(tmp_path: Path) -> None:
    handle = opened(tmp_path / "one", b"x", os.O_RDWR)
    reader, view = ReadsTogether(), Buffer(SECTOR).view
    numbers = reader._events
    reader._events = 1_000_000  # a call that no system has
    assert reader.read([(handle, view)] * 3) == [-1, -1, -1]
    reader._events = numbers
    os.write(handle, b"yz")
    assert reader.read([(handle, view)] * 3) == [2, 2, 2], "no answer of the reads before"


def test_whatever_breaks_in_between_no_answer_of_an_earlier_read_is_taken_for_a_later_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full, empty = opened(tmp_path / "full", b"x" * 30), opened(tmp_path / "empty", b"")
    reader, view = ReadsTogether(), Buffer(SECTOR).view

    def broken(self: ReadsTogether, under_way: int, counts: list[int]) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(ReadsTogether, "_collect", broken)
        reader.read([(full, view)])
    assert reader.read([(empty, view)]) == [-1]


def test_a_system_without_room_or_permission_is_read_one_file_after_the_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(self: ReadsTogether) -> None:
        raise OSError(errno.EAGAIN, "no room")

    monkeypatch.setattr(ReadsTogether, "_begin", refused)
    io, view = LinuxIo(), Buffer(SECTOR).view
    assert io.reads_at_once == MOST
    assert io.read_many([(opened(tmp_path / "one", b"abc"), view), (1_000_000, view)]) == [3, -1]
    assert io.reads_at_once == 1


def test_a_machine_whose_calls_are_not_known_never_makes_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platform.machine", lambda: "another")
    assert not linux_aio.possible()
    assert LinuxIo().reads_at_once == 1
    with pytest.raises(OSError, match="no such calls"):
        ReadsTogether()


def test_whoever_reads_in_a_way_of_its_own_sees_every_read() -> None:
    class Own(LinuxIo):
        def read_into(self, handle: int, view: memoryview, offset: int) -> int:
            return 0

    assert Own().reads_at_once == 1


def test_every_thread_has_its_own_room_and_gives_it_back(tmp_path: Path) -> None:
    def rooms() -> int:
        # of this process: the kernel's own number counts those of every other one too
        return Path("/proc/self/maps").read_text().count("[aio]")

    handle, io, before = opened(tmp_path / "one", b"abc"), LinuxIo(), rooms()
    wrong: list[list[int]] = []

    def work() -> None:
        view = Buffer(SECTOR).view
        for _ in range(50):
            counts = io.read_many([(handle, view)] * 7)
            if counts != [3] * 7:
                wrong.append(counts)

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong
    assert rooms() <= before


def test_the_layouts_are_as_long_as_the_kernels() -> None:
    assert linux_aio._REQUEST.size == 64
    assert linux_aio._EVENT.size == 32
    assert ctypes.sizeof(ctypes.c_void_p) == 8
