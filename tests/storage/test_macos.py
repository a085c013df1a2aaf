"""What is macOS's own in `MacosIo`: which calls, in which order, with which arguments."""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rollproof.storage import macos_calls as mac
from rollproof.storage.io import Io
from rollproof.storage.macos import MacosIo
from storage.fake_macos import FakeMacos

REAL_FAILURES = (errno.EIO, errno.ENOSPC, errno.ENXIO, errno.EROFS)
NO_SUCH_CALL = (errno.ENOTSUP, errno.ENOTTY, errno.EINVAL, errno.ENOSYS)


@pytest.fixture
def fake() -> FakeMacos:
    return FakeMacos()


@pytest.fixture
def io(fake: FakeMacos) -> Io:
    return MacosIo(fake)


@pytest.fixture
def top(io: Io, tmp_path: Path) -> Iterator[int]:
    handle = io.open_root(os.fsencode(tmp_path))
    yield handle
    io.close(handle)


@pytest.fixture
def clip(io: Io, top: int, fake: FakeMacos) -> Iterator[int]:
    handle = io.create(b"clip", top, direct=False)
    io.write_from(handle, memoryview(b"x" * 10_000), 0)
    fake.log.clear()
    yield handle
    io.close(handle)


def test_a_flush_goes_through_the_drives_cache_and_then_stops(io: Io, clip: int, fake: FakeMacos) -> None:
    io.flush(clip)
    assert fake.log == [(mac.F_FULLFSYNC, 0)]


@pytest.mark.parametrize("code", NO_SUCH_CALL)
def test_where_there_is_no_full_flush_a_barrier_is_asked_for_and_then_fsync(
    io: Io, clip: int, fake: FakeMacos, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    synced: list[int] = []
    fake.fail[mac.F_FULLFSYNC] = code
    io.flush(clip)
    assert fake.commands() == [mac.F_FULLFSYNC, mac.F_BARRIERFSYNC]
    fake.log.clear()
    fake.fail[mac.F_BARRIERFSYNC] = code
    monkeypatch.setattr(os, "fsync", synced.append)
    io.flush(clip)
    assert fake.commands() == [mac.F_FULLFSYNC, mac.F_BARRIERFSYNC]
    assert synced == [clip]


@pytest.mark.parametrize("code", REAL_FAILURES)
@pytest.mark.parametrize("failing", [mac.F_FULLFSYNC, mac.F_BARRIERFSYNC])
def test_a_flush_that_failed_is_never_followed_by_a_weaker_one(
    io: Io, clip: int, fake: FakeMacos, monkeypatch: pytest.MonkeyPatch, code: int, failing: int
) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    if failing == mac.F_BARRIERFSYNC:
        fake.fail[mac.F_FULLFSYNC] = errno.ENOTSUP
    fake.fail[failing] = code
    with pytest.raises(OSError) as caught:
        io.flush(clip)
    assert caught.value.errno == code
    assert fake.commands()[-1] == failing
    assert synced == []


@pytest.mark.parametrize("direct", [False, True])
def test_direct_files_are_set_to_skip_the_cache_and_others_are_not(
    io: Io, top: int, fake: FakeMacos, direct: bool
) -> None:
    io.close(io.create(b"clip", top, direct=direct))
    io.close(io.open_read(b"clip", top, direct=direct))
    assert fake.log == ([(mac.F_NOCACHE, 1)] * 2 if direct else [])


def test_a_refused_direct_open_is_invalid_whatever_the_file_system_called_it(io: Io, top: int, fake: FakeMacos) -> None:
    io.close(io.create(b"clip", top, direct=False))
    fake.fail[mac.F_NOCACHE] = errno.ENOTSUP
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(OSError) as caught:
        io.open_read(b"clip", top, direct=True)
    assert caught.value.errno == errno.EINVAL
    with pytest.raises(OSError) as caught:
        io.create(b"other", top, direct=True)
    assert caught.value.errno == errno.EINVAL
    assert [name for name, _ in io.list_folder(top)] == [b"clip"]
    assert len(os.listdir("/proc/self/fd")) == before, "no handle is left open"


def test_pages_are_thrown_out_window_by_window_and_every_mapping_is_given_back(
    io: Io, clip: int, fake: FakeMacos, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rollproof.storage.macos._WINDOW_BYTES", 4096)
    io.drop_pages(clip)
    assert [entry for entry in fake.log if entry[0] == "map"] == [
        ("map", 4096, 0),
        ("map", 4096, 4096),
        ("map", 1808, 8192),
    ]
    assert [entry for entry in fake.log if entry[0] == "invalidate"] == [
        ("invalidate", 4096),
        ("invalidate", 4096),
        ("invalidate", 1808),
    ]
    assert fake.mapped == {}


def test_a_failed_eviction_is_an_error_and_gives_its_mapping_back(io: Io, clip: int, fake: FakeMacos) -> None:
    fake.fail["invalidate"] = errno.EBUSY
    with pytest.raises(OSError):
        io.drop_pages(clip)
    assert fake.mapped == {}


def test_resident_pages_are_counted_by_the_lowest_bit_only(io: Io, clip: int, fake: FakeMacos) -> None:
    fake.pages = bytes([0b1, 0b110, 0b10000001])
    assert io.resident_pages(clip, 3 * mmap.PAGESIZE) == 2
    fake.pages = b"\0\0\0"
    assert io.resident_pages(clip, 3 * mmap.PAGESIZE) == 0


@pytest.mark.parametrize("code", [errno.ENOTSUP, errno.EINVAL])
def test_without_an_exclusive_rename_the_name_is_looked_for_first(io: Io, top: int, fake: FakeMacos, code: int) -> None:
    io.close(io.create(b"old", top, direct=False))
    io.close(io.create(b"taken", top, direct=False))
    fake.fail["rename_exclusive"] = code
    with pytest.raises(FileExistsError):
        io.rename_no_replace(b"old", b"taken", top)
    io.rename_no_replace(b"old", b"new", top)
    assert {name for name, _ in io.list_folder(top)} == {b"new", b"taken"}


def test_any_other_failure_of_the_rename_is_final(io: Io, top: int, fake: FakeMacos) -> None:
    io.close(io.create(b"old", top, direct=False))
    fake.fail["rename_exclusive"] = errno.EIO
    with pytest.raises(OSError) as caught:
        io.rename_no_replace(b"old", b"new", top)
    assert caught.value.errno == errno.EIO
    assert [name for name, _ in io.list_folder(top)] == [b"old"]


def test_space_is_reserved_beyond_the_end_only(io: Io, clip: int, fake: FakeMacos) -> None:
    io.allocate(clip, 5_000)
    assert fake.log == []
    io.allocate(clip, 110_000)
    ((command, argument),) = fake.log
    assert command == mac.F_PREALLOCATE
    assert isinstance(argument, bytes)
    # fstore_t: flags, position mode, offset, length, bytes allocated
    assert struct.unpack("=Iiqqq", argument) == (mac.F_ALLOCATEALL, mac.F_PEOFPOSMODE, 0, 100_000, 0)


@pytest.mark.parametrize(("code", "said"), [(errno.ENOTTY, errno.EOPNOTSUPP), (errno.ENOSPC, errno.ENOSPC)])
def test_a_file_system_that_reserves_nothing_says_so_and_a_full_one_says_that(
    io: Io, clip: int, fake: FakeMacos, code: int, said: int
) -> None:
    fake.fail[mac.F_PREALLOCATE] = code
    with pytest.raises(OSError) as caught:
        io.allocate(clip, 1 << 20)
    assert caught.value.errno == said


def test_there_is_no_flush_of_a_whole_volume(io: Io, top: int) -> None:
    with pytest.raises(OSError) as caught:
        io.flush_volume(top)
    assert caught.value.errno == errno.ENOSYS


def test_the_size_of_a_device_is_its_blocks_times_their_size(io: Io, top: int, fake: FakeMacos) -> None:
    assert io.device_size(top) == 4_096_000
    assert [entry[1:] for entry in fake.log] == [(mac.DKIOCGETBLOCKCOUNT, 8), (mac.DKIOCGETBLOCKSIZE, 4)]


@pytest.mark.parametrize(("flags", "bypasses"), [(0, False), (mac.UF_COMPRESSED, True), (mac.SF_DATALESS, True)])
def test_files_kept_compressed_or_elsewhere_are_no_evidence(
    io: Io, clip: int, monkeypatch: pytest.MonkeyPatch, flags: int, bypasses: bool
) -> None:
    class Found:
        st_flags = flags

    monkeypatch.setattr(os, "fstat", lambda _handle: Found)
    assert io.bypasses_direct(clip) is bypasses
    monkeypatch.undo()


def test_one_write_never_asks_for_more_than_the_system_takes(
    io: Io, clip: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rollproof.storage.macos._MOST_BYTES", 4)
    assert io.write_from(clip, memoryview(b"0123456789"), 0) == 4


def test_reading_works_where_python_has_no_preadv(io: Io, clip: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "preadv")
    buffer = bytearray(16)
    assert io.read_into(clip, memoryview(buffer), 9_990) == 10
    assert bytes(buffer) == b"x" * 10 + bytes(6)


# --- the real calls, as far as this system has them
def test_the_structure_of_statfs_is_as_long_as_on_macos() -> None:
    assert ctypes.sizeof(mac.Statfs) == 2168  # sys/mount.h with 64-bit inodes
    assert mac.Statfs.type_name.offset == 72
    assert mac.Statfs.mounted_on.offset == 88
    assert mac.Statfs.mounted_from.offset == 1112


class _Library:
    """A C library that fills in one mounted volume."""

    def __init__(self, names: tuple[str, ...], count: int = 1) -> None:
        self.count = count
        self.asked: list[str] = []
        for name in names:
            setattr(self, name, getattr(self, name.partition("$")[0] + "_like")(name))

    @staticmethod
    def _fill(found: mac.Statfs) -> None:
        found.block_size, found.blocks, found.blocks_available = 4096, 1 << 33, 1 << 32
        found.flags, found.type_name = mac.MNT_LOCAL, b"apfs"
        found.mounted_on, found.mounted_from = b"/Volumes/Bells", b"/dev/disk4s1"

    def statfs_like(self, name: str) -> Any:
        def statfs(_path: Any, into: Any) -> int:
            self.asked.append(name)
            self._fill(into._obj)
            return 0

        return statfs

    def getfsstat_like(self, name: str) -> Any:
        def getfsstat(buffer: Any, size: int, flags: int) -> int:
            self.asked.append(name)
            assert flags == 2
            if buffer is None:
                return self.count
            for index in range(min(self.count, size // ctypes.sizeof(mac.Statfs))):
                self._fill(buffer[index])
            return min(self.count, size // ctypes.sizeof(mac.Statfs))

        return getfsstat


@pytest.mark.parametrize("suffix", ["", "$INODE64"])
def test_sizes_of_large_drives_do_not_wrap_around(suffix: str) -> None:
    library = _Library((f"statfs{suffix}",))
    found = mac.SystemCalls(library).mount_of_path(b"/Volumes/Bells/A003")
    assert library.asked == [f"statfs{suffix}"]
    assert found.free_bytes == 16 << 40
    assert found.capacity_bytes == 32 << 40
    assert (found.mount_point, found.source, found.file_system) == (b"/Volumes/Bells", "/dev/disk4s1", "apfs")


def test_the_mount_table_is_read_whole() -> None:
    library = _Library(("getfsstat",), count=11)
    assert len(mac.SystemCalls(library).mounts()) == 11


def test_mapping_and_counting_pages_work_on_this_system_too(tmp_path: Path) -> None:
    path = tmp_path / "clip"
    path.write_bytes(b"x" * 10_000)
    calls = mac.SystemCalls()
    with path.open("rb") as file:
        address = calls.map(file.fileno(), 10_000, 0)
        assert ctypes.string_at(address, 10_000) == b"x" * 10_000
        assert len(calls.resident(address, 10_000, 3)) == 3
        calls.unmap(address, 10_000)
        with pytest.raises(OSError):
            calls.map(file.fileno(), 0, 0)
