"""The pass-through file system proves itself, and so does the faulty disk that stands on it."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.devices import Devices, read_direct, read_warm
from support.fuse_fs import FaultyDisk, FaultyFolder, FuseRule
from support.trees import PORTABLE, Blob, build, compare

pytestmark = pytest.mark.device

BYTES = Blob(300_000, seed=3).data()


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[FaultyFolder]:
    with FaultyFolder(tmp_path / "behind", tmp_path / "mount", direct_io=True) as mounted:
        yield mounted


def _write_and_flush(path: Path, data: bytes = BYTES) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    try:
        done = 0
        while done < len(data):
            done += os.write(handle, data[done:])
        os.fsync(handle)
    finally:
        os.close(handle)


def test_without_rules_a_tree_passes_through_unchanged(folder: FaultyFolder) -> None:
    build(folder.mount / "tree", PORTABLE)
    assert compare(folder.mount / "tree", folder.behind / "tree") == []
    assert folder.injected == {}


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.ENODEV, errno.EROFS])
@pytest.mark.parametrize("operation", ["write", "fsync", "create", "rename"])
def test_a_call_fails_with_the_error_asked_for(folder: FaultyFolder, operation: str, code: int) -> None:
    (folder.mount / "a").write_bytes(b"old")
    folder.set_rules([FuseRule(operation, {"errno": code})])
    with pytest.raises(OSError) as caught:
        _write_and_flush(folder.mount / "b")
        (folder.mount / "b").rename(folder.mount / "c")
    assert caught.value.errno == code
    assert folder.injected == {errno.errorcode[code]: 1}


def test_a_read_fails_only_where_the_rule_says(folder: FaultyFolder) -> None:
    _write_and_flush(folder.mount / "a.mov")
    folder.set_rules([FuseRule("read", {"errno": errno.EIO}, path="a.mov", first_byte=200_000, onward=True)])
    with open(folder.mount / "a.mov", "rb") as opened:
        assert os.pread(opened.fileno(), 65_536, 0) == BYTES[:65_536]
        with pytest.raises(OSError, match="Input/output"):
            os.pread(opened.fileno(), 65_536, 196_608)


def test_a_flipped_bit_in_and_a_flipped_bit_out_are_exactly_one(folder: FaultyFolder) -> None:
    folder.set_rules([FuseRule("write", {"flip": 4}, first_byte=100_000)])
    _write_and_flush(folder.mount / "out")
    behind = (folder.behind / "out").read_bytes()
    assert [at for at in range(len(BYTES)) if behind[at] != BYTES[at]] == [100_000]
    _write_and_flush(folder.mount / "in")
    folder.set_rules([FuseRule("read", {"flip": 8}, first_byte=200_000)])
    seen = read_warm(folder.mount / "in")
    assert [at for at in range(len(BYTES)) if seen[at] != BYTES[at]] == [200_000]
    assert (folder.behind / "in").read_bytes() == BYTES
    assert folder.injected == {"bit flipped on the way in": 1, "bit flipped on the way out": 1}


def test_short_reads_and_writes_are_short(folder: FaultyFolder) -> None:
    handle = os.open(folder.mount / "a", os.O_RDWR | os.O_CREAT, 0o644)
    try:
        folder.set_rules([FuseRule("write", {"short": True}), FuseRule("read", {"short": True})])
        assert os.write(handle, bytes(1000)) == 500
        assert len(os.pread(handle, 500, 0)) == 250
    finally:
        os.close(handle)


def test_a_cache_agrees_with_what_was_written_until_it_is_forgotten(folder: FaultyFolder) -> None:
    folder.set_rules([FuseRule("write", {"stale": 1}, first_byte=150_000)])
    _write_and_flush(folder.mount / "a")
    assert read_warm(folder.mount / "a") == BYTES
    assert read_direct(folder.mount / "a") == BYTES, "even direct I/O is answered by this cache"
    assert (folder.behind / "a").read_bytes() != BYTES
    folder.forget()
    assert read_warm(folder.mount / "a") != BYTES


def test_a_lost_write_is_reported_as_done(folder: FaultyFolder) -> None:
    folder.set_rules([FuseRule("write", {"lose": True})])
    _write_and_flush(folder.mount / "a", b"x" * 1000)
    assert (folder.behind / "a").read_bytes() == b""


def test_a_stalled_write_holds_its_caller_until_it_is_released(folder: FaultyFolder) -> None:
    folder.set_rules([FuseRule("write", {"stall": True})])
    writer = threading.Thread(target=_write_and_flush, args=(folder.mount / "a",), daemon=True)
    writer.start()
    writer.join(0.3)
    assert writer.is_alive()
    folder.release()
    writer.join(10)
    assert not writer.is_alive()
    assert (folder.behind / "a").read_bytes() == BYTES


def test_a_daemon_that_dies_leaves_a_mount_that_answers_errors(folder: FaultyFolder) -> None:
    _write_and_flush(folder.mount / "a")
    folder.set_rules([FuseRule("write", {"die": True}, nth=2)])
    with pytest.raises(OSError) as caught:
        _write_and_flush(folder.mount / "b")
        _write_and_flush(folder.mount / "c")
    assert caught.value.errno in {errno.ENOTCONN, errno.ECONNABORTED, errno.EIO}


def test_a_faulty_disk_gives_an_error_for_one_block_of_one_file(devices: Devices) -> None:
    disk = FaultyDisk(devices)
    path = disk.drive.mount / "a.mov"
    _write_and_flush(path)
    bad = disk.where(path, 131_072)
    disk.set_rules([FuseRule("read", {"errno": errno.EIO}, first_byte=bad, last_byte=bad + 4095, onward=True)])
    assert read_warm(path) == BYTES, "the page cache still holds it"
    with pytest.raises(OSError, match="Input/output"):
        read_direct(path)
    disk.set_rules([])


def test_a_faulty_disk_stores_a_flipped_bit_that_only_direct_reads_see(devices: Devices) -> None:
    disk = FaultyDisk(devices)
    path = disk.drive.mount / "a.mov"
    _write_and_flush(path)
    at = disk.where(path, 200_000)
    disk.set_rules([FuseRule("write", {"flip": 2}, first_byte=at, last_byte=at)])
    _write_and_flush(path)
    assert disk.folder.injected == {"bit flipped on the way out": 1}
    assert read_warm(path) == BYTES
    found = read_direct(path)
    assert [where for where in range(len(BYTES)) if found[where] != BYTES[where]] == [200_000]


def test_a_faulty_disk_that_dies_answers_errors_and_comes_back_with_what_was_flushed(devices: Devices) -> None:
    disk = FaultyDisk(devices)
    _write_and_flush(disk.drive.mount / "before")
    os.sync()
    disk.kill()
    with pytest.raises(OSError):
        _write_and_flush(disk.drive.mount / "after")
    disk.come_back()
    assert (disk.drive.mount / "before").read_bytes() == BYTES


def test_a_faulty_disk_that_stalls_holds_a_flush_uninterruptibly(devices: Devices) -> None:
    disk = FaultyDisk(devices)
    disk.set_rules([FuseRule("write", {"stall": True}, onward=True)])
    writer = threading.Thread(target=_write_and_flush, args=(disk.drive.mount / "a",), daemon=True)
    writer.start()
    writer.join(0.5)
    assert writer.is_alive()
    disk.release()
    writer.join(20)
    assert not writer.is_alive()
