"""The seam proves itself: every fault happens exactly where its rule says, and a call without a rule is untouched."""

from __future__ import annotations

import errno
import mmap
import os
import threading
from pathlib import Path

import pytest

from rollproof.storage.io import Io
from rollproof.storage.system import system_io
from support.faults import Answer, Do, Fail, Flip, Kill, Killed, Lose, Rule, Short, Stall
from support.faulty_io import FaultyIo


def _io(*rules: Rule) -> FaultyIo:
    return FaultyIo(system_io(), rules)


def _write(io: Io, root: int, name: bytes, data: bytes) -> int:
    handle = io.create(name, root, direct=False)
    try:
        return io.write_from(handle, memoryview(data), 0)
    finally:
        io.close(handle)


def _read(io: Io, root: int, name: bytes, size: int = 1 << 16, *, direct: bool = False) -> bytes:
    handle = io.open_read(name, root, direct=direct)
    try:
        with mmap.mmap(-1, size) as buffer, memoryview(buffer) as view:
            count = io.read_into(handle, view, 0)
            return bytes(view[:count])
    finally:
        io.close(handle)


def test_it_has_every_call_of_the_protocol(tmp_path: Path) -> None:
    wanted = {name for name in vars(Io) if not name.startswith("_") and callable(getattr(Io, name))}
    assert wanted <= set(dir(FaultyIo))
    checked: Io = _io()
    assert checked.name == system_io().name


def test_without_a_rule_nothing_is_changed_and_every_call_is_counted(tmp_path: Path) -> None:
    io = _io()
    root = io.open_root(os.fsencode(tmp_path))
    _write(io, root, b"a", b"hello")
    assert _read(io, root, b"a") == b"hello"
    io.close(root)
    assert [call.operation for call in io.calls] == [
        "open_root", "create", "write_from", "close", "open_read", "read_into", "close", "close",
    ]  # fmt: skip
    assert [call.index for call in io.calls] == list(range(1, 9))
    assert {call.drive for call in io.calls} == {os.fsencode(tmp_path)}
    assert io.calls[2].path == b"a"
    assert not io.reached


def test_a_call_has_the_same_identity_in_every_run(tmp_path: Path) -> None:
    runs = []
    for _ in range(2):
        io = _io()
        root = io.open_root(os.fsencode(tmp_path))
        for _ in range(3):
            io.fstat(root)
        io.close(root)
        runs.append([call.identity for call in io.calls])
    assert runs[0] == runs[1]
    assert [identity[3] for identity in runs[0][1:4]] == [1, 2, 3]


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.ENODEV, errno.EROFS])
def test_the_nth_matching_call_fails_once_or_from_then_on(tmp_path: Path, code: int) -> None:
    once = _io(Rule(Fail(code), "write_from", nth=2))
    onward = _io(Rule(Fail(code), "write_from", nth=2, onward=True))
    outcomes = []
    for io in (once, onward):
        root = io.open_root(os.fsencode(tmp_path))
        handle = io.open_append(b"x", root, create=True)
        for _ in range(4):
            try:
                io.write_from(handle, memoryview(b"y"), 0)
                outcomes.append(0)
            except OSError as failed:
                outcomes.append(failed.errno or -1)
        io.close(handle)
        io.close(root)
    assert outcomes == [0, code, 0, 0, 0, code, code, code]
    assert once.injected == {errno.errorcode[code]: 1}
    assert onward.injected == {errno.errorcode[code]: 3}


def test_a_failure_before_leaves_nothing_and_a_failure_after_has_happened(tmp_path: Path) -> None:
    io = _io(Rule(Fail(errno.EIO), "make_folder"), Rule(Fail(errno.EIO, after=True), "make_folder", nth=2))
    root = io.open_root(os.fsencode(tmp_path))
    for name in (b"before", b"after"):
        with pytest.raises(OSError, match="Input/output"):
            io.make_folder(name, root)
    assert sorted(os.listdir(tmp_path)) == ["after"]
    io.close(root)


def test_a_failed_close_closes_all_the_same(tmp_path: Path) -> None:
    io = _io(Rule(Fail(errno.EIO), "close"))
    root = io.open_root(os.fsencode(tmp_path))
    with pytest.raises(OSError, match="Input/output"):
        io.close(root)
    with pytest.raises(OSError, match="Bad file"):
        os.fstat(root)


def test_a_rule_may_speak_of_one_drive_and_one_name(tmp_path: Path) -> None:
    for folder_name in ("one", "two"):
        (tmp_path / folder_name / "CLIPS").mkdir(parents=True)
    io = _io(Rule(Fail(errno.EIO), "create", path=b"CLIPS/*.mov", drive=os.fsencode(tmp_path / "two"), onward=True))
    for drive, name, fails in (("one", b"a.mov", False), ("two", b"a.xml", False), ("two", b"a.mov", True)):
        root = io.open_root(os.fsencode(tmp_path / drive))
        folder = io.open_folder(b"CLIPS", root)
        if fails:
            with pytest.raises(OSError, match="Input/output"):
                _write(io, folder, name, b"x")
        else:
            _write(io, folder, name, b"x")
        io.close(folder)
        io.close(root)
    assert io.injected == {"EIO": 1}


def test_a_short_write_and_a_short_read_move_half(tmp_path: Path) -> None:
    io = _io(Rule(Short(), "write_from"), Rule(Short(), "read_into"))
    root = io.open_root(os.fsencode(tmp_path))
    assert _write(io, root, b"a", b"x" * 10_000) == 4096
    assert (tmp_path / "a").stat().st_size == 4096
    (tmp_path / "b").write_bytes(b"y" * 300)
    assert _read(io, root, b"b") == b"y" * 150
    assert _read(io, root, b"b") == b"y" * 300
    assert io.injected == {"short write": 1, "short read": 1}
    io.close(root)


def test_a_lost_write_reports_success_and_writes_nothing(tmp_path: Path) -> None:
    io = _io(Rule(Lose(), "write_from"), Rule(Lose(), "rename_no_replace"))
    root = io.open_root(os.fsencode(tmp_path))
    assert _write(io, root, b"a", b"hello") == 5
    io.rename_no_replace(b"a", b"b", root)
    assert os.listdir(tmp_path) == ["a"]
    assert (tmp_path / "a").read_bytes() == b""
    assert io.injected == {"silently lost write_from": 1, "silently lost rename_no_replace": 1}
    io.close(root)


def test_one_bit_is_flipped_on_the_way_in_and_on_the_way_out(tmp_path: Path) -> None:
    data = bytes(range(256)) * 64
    io = _io(Rule(Flip(position=100, mask=0x80), "write_from"), Rule(Flip(), "read_into"))
    root = io.open_root(os.fsencode(tmp_path))
    given = bytearray(data)
    assert _write(io, root, b"a", data) == len(data)
    assert given == data, "what the caller holds is never touched"
    written = (tmp_path / "a").read_bytes()
    assert [at for at in range(len(data)) if written[at] != data[at]] == [100]
    assert written[100] == data[100] ^ 0x80
    read = _read(io, root, b"a")
    assert [at for at in range(len(data)) if read[at] != written[at]] == [len(data) // 2]
    io.close(root)


def test_a_flip_reaches_a_direct_write_too(tmp_path: Path) -> None:
    io = _io(Rule(Flip(), "write_from"))
    root = io.open_root(os.fsencode(tmp_path))
    handle = io.create(b"a", root, direct=True)
    with mmap.mmap(-1, 8192) as buffer, memoryview(buffer) as view:
        assert io.write_from(handle, view, 0) == 8192
    io.close(handle)
    io.close(root)
    assert (tmp_path / "a").read_bytes() == bytes(4096) + b"\x01" + bytes(4095)


def test_after_a_kill_no_call_is_made_and_every_handle_and_lock_is_gone(tmp_path: Path) -> None:
    io = _io(Rule(Kill(), "create"))
    root = io.open_root(os.fsencode(tmp_path))
    assert io.lock(root)
    for _ in range(2):
        with pytest.raises(Killed):
            _write(io, root, b"a", b"x")
    with pytest.raises(Killed):
        io.close(root)
    io.abandon()
    assert os.listdir(tmp_path) == []
    other = system_io()
    again = other.open_root(os.fsencode(tmp_path))
    assert other.lock(again)
    other.close(again)


def test_a_kill_after_the_call_leaves_what_it_did(tmp_path: Path) -> None:
    io = _io(Rule(Kill(after=True), "create"))
    root = io.open_root(os.fsencode(tmp_path))
    with pytest.raises(Killed):
        io.create(b"a", root, direct=False)
    assert os.listdir(tmp_path) == ["a"]
    io.abandon()


def test_a_stalled_call_goes_on_when_it_is_released(tmp_path: Path) -> None:
    released = threading.Event()
    io = _io(Rule(Stall(released), "make_folder"))
    root = io.open_root(os.fsencode(tmp_path))
    worker = threading.Thread(target=io.make_folder, args=(b"a", root), daemon=True)
    worker.start()
    worker.join(0.1)
    assert worker.is_alive()
    assert os.listdir(tmp_path) == []
    released.set()
    worker.join(5)
    assert os.listdir(tmp_path) == ["a"]
    io.close(root)


def test_something_real_may_happen_just_before_a_call_and_an_answer_may_be_false(tmp_path: Path) -> None:
    io = _io(Rule(Do((tmp_path / "new").touch), "list_folder"), Rule(Answer(7), "free_bytes"))
    root = io.open_root(os.fsencode(tmp_path))
    assert [name for name, _ in io.list_folder(root)] == [b"new"]
    assert io.free_bytes(root) == 7
    io.close(root)


def test_one_rule_can_hit_the_call_of_one_index_or_one_identity(tmp_path: Path) -> None:
    by_index = _io(Rule(Fail(errno.EIO), index=3))
    by_identity = _io(Rule(Fail(errno.EIO), identity=(os.fsencode(tmp_path), "fstat", b"", 2)))
    for io in (by_index, by_identity):
        root = io.open_root(os.fsencode(tmp_path))
        io.fstat(root)
        with pytest.raises(OSError, match="Input/output"):
            io.fstat(root)
        io.fstat(root)
        io.close(root)


def test_from_one_call_on_everything_on_its_drive_fails(tmp_path: Path) -> None:
    drive = os.fsencode(tmp_path)
    io = _io(Rule(Fail(errno.EIO), identity=(drive, "make_folder", b"b", 1), drive=drive, onward=True))
    root = io.open_root(drive)
    io.make_folder(b"a", root)
    for _ in range(2):
        with pytest.raises(OSError, match="Input/output"):
            io.make_folder(b"b", root)
    with pytest.raises(OSError, match="Input/output"):
        io.list_folder(root)
    other = io.open_root(b"/")
    assert io.list_folder(other)
    io.abandon()


def test_counting_is_exact_with_many_threads(tmp_path: Path) -> None:
    io = _io(Rule(Fail(errno.EIO), "fstat", nth=500))
    root = io.open_root(os.fsencode(tmp_path))
    failures: list[OSError] = []

    def look() -> None:
        for _ in range(250):
            try:
                io.fstat(root)
            except OSError as failed:
                failures.append(failed)

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(failures) == 1
    assert sorted(call.index for call in io.calls) == list(range(1, 1002))
    io.close(root)
