"""What is Linux's own in `LinuxIo`, and what `PosixIo` says where a system has less."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from rollproof.storage.posix import LinuxIo, PosixIo
from storage.io_contract import refused
from support.devices import Devices, unmount_anyhow


class Library:
    """A C library of our own: the functions given, each with a result and the errno it leaves behind."""

    def __init__(self, **answers: list[int]) -> None:
        self.asked: list[str] = []
        for name, codes in answers.items():
            setattr(self, name, _Function(name, codes, self.asked))


class _Function:
    """Answers with the errnos in turn; 0 is success. The last one stays."""

    argtypes: Any = None

    def __init__(self, name: str, codes: list[int], asked: list[str]) -> None:
        self._name, self._codes, self._asked = name, codes, asked

    def __call__(self, *_arguments: Any) -> int:
        self._asked.append(self._name)
        code = self._codes.pop(0) if len(self._codes) > 1 else self._codes[0]
        ctypes.set_errno(code)
        return -1 if code else 0


@pytest.fixture
def io() -> LinuxIo:
    return LinuxIo()


@pytest.fixture
def top(io: LinuxIo, tmp_path: Path) -> Iterator[int]:
    handle = io.open_root(os.fsencode(tmp_path))
    yield handle
    io.close(handle)


@pytest.fixture
def clip(io: LinuxIo, top: int) -> Iterator[int]:
    handle = io.create(b"clip", top, direct=False)
    io.write_from(handle, memoryview(b"x" * 10_000), 0)
    yield handle
    io.close(handle)


def library(io: LinuxIo, **answers: list[int]) -> Library:
    """Put a library of our own in the place of the real one."""
    made = Library(**answers)
    io._functions_of(made)  # type: ignore[arg-type]
    return made


# --- direct I/O
@pytest.mark.parametrize("direct", [False, True])
def test_files_are_direct_when_asked_for_and_only_then(io: LinuxIo, top: int, direct: bool) -> None:
    for handle in (io.create(b"clip", top, direct=direct), io.open_read(b"clip", top, direct=direct)):
        assert bool(fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_DIRECT) is direct
        io.close(handle)


class Refusing(LinuxIo):
    """A file system that refuses direct I/O only once the file is there."""

    direct_flag = 0

    def _make_direct(self, handle: int) -> None:
        raise OSError(errno.EOPNOTSUPP, "not here")


@pytest.mark.parametrize("made", [Refusing, PosixIo])
def test_where_direct_is_refused_the_name_stays_free_and_no_handle_open(
    top: int, tmp_path: Path, made: type[PosixIo]
) -> None:
    io = made()
    before = len(os.listdir("/proc/self/fd"))
    with refused(errno.EINVAL):
        io.create(b"clip", top, direct=True)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "there").write_bytes(b"kept")
    with refused(errno.EINVAL):
        io.open_read(b"there", top, direct=True)
    with refused(errno.EEXIST):
        io.create(b"there", top, direct=True)
    assert (tmp_path / "there").read_bytes() == b"kept"
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.device
def test_a_real_file_system_that_refuses_direct_writing_keeps_no_empty_file(devices: Devices, io: LinuxIo) -> None:
    mount = devices.place("ramfs")
    mount.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "ramfs", "ramfs", str(mount)], check=True)
    devices.on_exit().callback(unmount_anyhow, mount)
    top = io.open_root(os.fsencode(mount))
    with refused(errno.EINVAL):
        io.create(b"clip", top, direct=True)
    assert io.list_folder(top) == []
    io.close(io.create(b"clip", top, direct=False))
    io.close(top)


# --- opening
def denied(code: int, when: Callable[[int], bool]) -> Callable[..., int]:
    real = os.open

    def opened(path: bytes, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if when(flags):
            raise PermissionError(code, os.strerror(code))
        return real(path, flags, mode, dir_fd=dir_fd)

    return opened


def test_cards_are_read_without_touching_their_access_times(io: LinuxIo, top: int, clip: int) -> None:
    handle = io.open_read(b"clip", top, direct=False)
    assert fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_NOATIME
    io.close(handle)


def test_somebody_elses_file_is_read_all_the_same(
    io: LinuxIo, top: int, clip: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "open", denied(errno.EPERM, lambda flags: bool(flags & os.O_NOATIME)))
    handle = io.open_read(b"clip", top, direct=False)
    assert io.fstat(handle).size == 10_000
    io.close(handle)


def test_a_file_that_may_not_be_read_is_an_error(
    io: LinuxIo, top: int, clip: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "open", denied(errno.EACCES, lambda _flags: True))
    with pytest.raises(PermissionError):
        io.open_read(b"clip", top, direct=False)


def test_a_device_that_went_away_is_not_called_an_odd_file(
    io: LinuxIo, top: int, clip: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_arguments: object, **_more: object) -> int:
        raise OSError(errno.ENXIO, os.strerror(errno.ENXIO))

    monkeypatch.setattr(os, "open", gone)
    with refused(errno.ENXIO):
        io.open_read(b"clip", top, direct=False)
    monkeypatch.undo()


def test_a_file_that_fails_right_after_it_was_opened_leaves_no_handle(
    io: LinuxIo, top: int, clip: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(_handle: int) -> os.stat_result:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    before = len(os.listdir("/proc/self/fd"))
    monkeypatch.setattr(os, "fstat", failing)
    with refused(errno.EIO):
        io.open_read(b"clip", top, direct=False)
    monkeypatch.undo()
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_listing_leaves_no_handle(io: LinuxIo, top: int) -> None:
    before = len(os.listdir("/proc/self/fd"))
    io.list_folder(top)
    assert len(os.listdir("/proc/self/fd")) == before


def test_two_listings_of_one_handle_do_not_disturb_each_other(io: LinuxIo, top: int, tmp_path: Path) -> None:
    for number in range(50):
        (tmp_path / f"clip {number}").touch()
    with os.scandir(top) as half_read:
        next(half_read)
        assert len(io.list_folder(top)) == 50


# --- renaming
@pytest.mark.parametrize("code", [errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP])
def test_without_an_atomic_form_the_name_is_looked_for_first(
    io: LinuxIo, top: int, clip: int, tmp_path: Path, code: int
) -> None:
    (tmp_path / "taken").write_bytes(b"kept")
    library(io, renameat2=[code])
    with refused(errno.EEXIST):
        io.rename_no_replace(b"clip", b"taken", top)
    io.rename_no_replace(b"clip", b"new", top)
    assert {found.name for found in tmp_path.iterdir()} == {"new", "taken"}
    assert (tmp_path / "taken").read_bytes() == b"kept"


def test_a_c_library_without_the_call_is_lived_with(io: LinuxIo, top: int, clip: int, tmp_path: Path) -> None:
    (tmp_path / "taken").write_bytes(b"kept")
    library(io)
    with refused(errno.EEXIST):
        io.rename_no_replace(b"clip", b"taken", top)
    io.rename_no_replace(b"clip", b"new", top)
    assert (tmp_path / "new").exists()


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.EROFS])
def test_a_rename_that_failed_is_not_done_another_way(
    io: LinuxIo, top: int, clip: int, tmp_path: Path, code: int
) -> None:
    library(io, renameat2=[code])
    with refused(code):
        io.rename_no_replace(b"clip", b"new", top)
    assert [found.name for found in tmp_path.iterdir()] == ["clip"]


def test_the_plain_posix_rename_looks_first_as_well(top: int, tmp_path: Path) -> None:
    io = PosixIo()
    (tmp_path / "clip").write_bytes(b"new")
    (tmp_path / "taken").write_bytes(b"kept")
    with refused(errno.EEXIST):
        io.rename_no_replace(b"clip", b"taken", top)
    io.rename_no_replace(b"clip", b"free", top)
    assert (tmp_path / "taken").read_bytes() == b"kept"
    assert (tmp_path / "free").read_bytes() == b"new"


# --- space and flushing
def test_more_than_two_gigabytes_can_be_reserved(io: LinuxIo, clip: int) -> None:
    io.allocate(clip, 3 << 30)
    assert os.fstat(clip).st_blocks * 512 >= 3 << 30
    io.truncate(clip, 0)


def test_a_reservation_that_was_interrupted_is_made_again_and_a_full_drive_is_told(io: LinuxIo, clip: int) -> None:
    made = library(io, fallocate=[errno.EINTR, errno.EINTR, 0])
    io.allocate(clip, 1 << 20)
    assert made.asked == ["fallocate"] * 3
    library(io, fallocate=[errno.ENOSPC])
    with refused(errno.ENOSPC):
        io.allocate(clip, 1 << 20)


def test_a_volume_flush_that_failed_is_told_and_not_tried_again(io: LinuxIo, clip: int) -> None:
    io.flush_volume(clip)
    made = library(io, syncfs=[errno.EIO])
    with refused(errno.EIO):
        io.flush_volume(clip)
    assert made.asked == ["syncfs"]


def test_what_a_plain_posix_system_lacks_it_says(clip: int) -> None:
    io = PosixIo()
    with refused(errno.EOPNOTSUPP):
        io.allocate(clip, 1)
    for call in (io.flush_volume, io.drop_pages):
        with refused(errno.ENOSYS):
            call(clip)
    assert io.bypasses_direct(clip) is False


# --- the page cache
def test_flushed_pages_that_were_dropped_are_gone_and_dirty_ones_are_not(io: LinuxIo, clip: int) -> None:
    for _ in range(20):  # (the system may write them back at any moment, and then they are dirty no more)
        assert io.write_from(clip, memoryview(b"x" * 10_000), 0) == 10_000
        io.drop_pages(clip)
        if io.resident_pages(clip, 10_000) == 3:
            break
    else:
        pytest.fail("dirty pages do not stay")
    io.flush(clip)
    io.drop_pages(clip)
    assert io.resident_pages(clip, 10_000) == 0
    assert io.read_into(clip, memoryview(bytearray(10)), 0) == 10
    assert io.resident_pages(clip, 10_000) > 0


def test_pages_are_counted_over_several_windows(io: LinuxIo, clip: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rollproof.storage.posix._WINDOW_BYTES", 4096)
    assert io.resident_pages(clip, 10_000) == 3


def test_a_file_that_was_cut_off_meanwhile_is_an_error_not_a_crash(io: LinuxIo, clip: int) -> None:
    io.truncate(clip, 100)
    with refused(errno.EINVAL):
        io.resident_pages(clip, 10_000)


def test_a_failed_look_at_the_cache_is_an_error(io: LinuxIo, clip: int) -> None:
    library(io, mincore=[errno.EAGAIN])
    with refused(errno.EAGAIN):
        io.resident_pages(clip, 10_000)


@pytest.mark.parametrize(
    ("flags", "bypasses"),
    [
        (0, False),
        (0x80000, False),  # extents, as most files have
        (0x10000000, True),  # inline data
        (0x800, True),  # encrypted
        (0x4000, True),  # data through the journal
    ],
)
def test_files_that_the_file_system_answers_from_a_cache_are_told(
    io: LinuxIo, clip: int, monkeypatch: pytest.MonkeyPatch, flags: int, bypasses: bool
) -> None:
    def answered(_handle: int, request: int, room: bytes) -> bytes:
        assert request == 0x80086601  # FS_IOC_GETFLAGS
        return flags.to_bytes(4, sys.byteorder) + room[4:]

    monkeypatch.setattr(fcntl, "ioctl", answered)
    assert io.bypasses_direct(clip) is bypasses


def test_a_file_system_without_such_flags_has_nothing_of_the_kind(io: LinuxIo) -> None:
    reading, writing = os.pipe()
    assert io.bypasses_direct(reading) is False
    os.close(reading)
    os.close(writing)


@pytest.mark.parametrize(
    ("few", "most", "then", "together"),
    [(256, 8_192, 4_096, 32), (1_024, 1_024, 1_024, 1), (1_024, 2_048, 2_048, 1), (6_000, 8_192, 6_000, 32)],
)
def test_as_many_files_may_be_open_as_are_enough_and_where_they_are_few_each_is_read_and_flushed_alone(
    few: int, most: int, then: int, together: int
) -> None:
    program = (
        "import resource\n"
        f"resource.setrlimit(resource.RLIMIT_NOFILE, ({few}, {most}))\n"
        "from rollproof.storage.system import system_io\n"
        "io = system_io()\n"
        "print(io.reads_at_once, io.open_together, *resource.getrlimit(resource.RLIMIT_NOFILE))"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ended.stdout.split() == [str(together), str(together), str(then), str(most)]
