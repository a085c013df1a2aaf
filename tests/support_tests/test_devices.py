"""The harness proves itself: every fault it promises really happens, and nothing stays behind."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from support import loops
from support.devices import FILE_SYSTEMS, Devices, read_direct, read_warm
from support.loops import until
from support.trees import AWKWARD, PORTABLE, Blob, build, compare

pytestmark = pytest.mark.device

CONTENT = Blob(300_000, seed=7)
BYTES = CONTENT.data()


def _errno_of(action: object, *arguments: object) -> int:
    assert callable(action)
    with pytest.raises(OSError) as caught:
        action(*arguments)
    assert caught.value.errno is not None
    return caught.value.errno


def _write_and_flush(path: Path, data: bytes = b"x" * 8192) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    try:
        done = 0
        while done < len(data):
            done += os.write(handle, data[done:])
        os.fsync(handle)
    finally:
        os.close(handle)


@pytest.mark.parametrize("file_system", FILE_SYSTEMS)
def test_every_file_system_holds_a_tree(devices: Devices, tmp_path: Path, file_system: str) -> None:
    drive = devices.image(file_system)
    tree = PORTABLE if file_system == "exfat" else AWKWARD
    original = build(tmp_path / "original", tree)
    build(drive.mount / "copy", tree)
    drive.replug()
    granularity_ns = 2_000_000_000 if file_system == "exfat" else 1
    assert compare(original, drive.mount / "copy", granularity_ns=granularity_ns) == []


@pytest.mark.parametrize("file_system", ["ext4", "xfs"])
def test_a_flipped_bit_is_seen_by_direct_reads_and_not_by_warm_ones(devices: Devices, file_system: str) -> None:
    drive = devices.image(file_system)
    path = build(drive.mount, {"a.mov": CONTENT}) / "a.mov"
    assert read_warm(path) == BYTES
    drive.flip(path, 123_456, mask=0x10)
    assert read_warm(path) == BYTES, "the page cache should still hold the good block"
    found = read_direct(path)
    assert [at for at in range(len(found)) if found[at] != BYTES[at]] == [123_456]
    assert found[123_456] == BYTES[123_456] ^ 0x10


def test_a_flipped_bit_on_btrfs_is_an_error_of_its_own_checksum(devices: Devices) -> None:
    drive = devices.image("btrfs")
    path = build(drive.mount, {"a.mov": CONTENT}) / "a.mov"
    os.sync()
    drive.flip(path, 100_000)
    assert read_warm(path) == BYTES
    drive.replug()
    assert _errno_of(read_warm, path) == errno.EIO


def test_exfat_through_fuse_hides_a_flipped_bit_until_the_device_pages_are_dropped(devices: Devices) -> None:
    drive = devices.image("exfat")
    path = build(drive.mount, {"a.mov": CONTENT}) / "a.mov"
    with open(path, "rb") as opened:
        os.fsync(opened.fileno())
    os.sync()
    drive.flip(path, 200_000)
    assert read_direct(path) == BYTES, "here even direct I/O is answered from a cache"
    drive.forget_device_pages()
    assert read_direct(path) != BYTES


@pytest.mark.parametrize("file_system", ["ext4", "xfs", "btrfs"])
def test_a_pulled_drive_refuses_and_comes_back_with_what_was_flushed(devices: Devices, file_system: str) -> None:
    drive = devices.image(file_system)
    _write_and_flush(drive.mount / "before")
    os.sync()
    sequence = drive.disk_sequence
    drive.pull()
    with pytest.raises(OSError):
        _write_and_flush(drive.mount / "after")
    drive.replug()
    assert drive.disk_sequence > sequence
    assert (drive.mount / "before").read_bytes() == b"x" * 8192
    assert not (drive.mount / "after").exists() or (drive.mount / "after").stat().st_size == 0


@pytest.mark.parametrize("file_system", ["ext4", "xfs"])
@pytest.mark.parametrize("log_flushed", [True, False])
def test_a_power_cut_keeps_what_was_flushed_and_loses_the_rest(
    devices: Devices, file_system: str, log_flushed: bool
) -> None:
    drive = devices.image(file_system)
    _write_and_flush(drive.mount / "flushed")
    handle = os.open(drive.mount, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)
    (drive.mount / "not flushed").write_bytes(b"y" * 100_000)
    drive.cut_power(log_flushed=log_flushed)
    assert _errno_of(_write_and_flush, drive.mount / "too late") == errno.EIO
    drive.replug()
    assert (drive.mount / "flushed").read_bytes() == b"x" * 8192
    lost = drive.mount / "not flushed"
    assert not lost.exists() or lost.read_bytes() != b"y" * 100_000


def test_a_drive_turns_read_only_under_an_open_file(devices: Devices) -> None:
    drive = devices.image("ext4")
    handle = os.open(drive.mount / "open", os.O_WRONLY | os.O_CREAT, 0o644)
    try:
        os.write(handle, b"x")
        drive.turn_read_only()
        assert _errno_of(os.write, handle, b"y") in {errno.EROFS, errno.EIO}
        assert _errno_of(_write_and_flush, drive.mount / "other") in {errno.EROFS, errno.EIO}
    finally:
        os.close(handle)


def test_after_a_lazy_unmount_a_handle_stays_on_the_drive_and_a_path_does_not(devices: Devices) -> None:
    drive = devices.image("ext4")
    handle = os.open(drive.mount, os.O_RDONLY | os.O_DIRECTORY)
    try:
        device = os.fstat(handle).st_dev
        drive.unmount_lazily()
        assert drive.mount.stat().st_dev != device
        os.close(os.open(b"by handle", os.O_CREAT | os.O_WRONLY, dir_fd=handle))
        assert not (drive.mount / "by handle").exists()
    finally:
        os.close(handle)


def test_a_frozen_drive_makes_its_writer_wait_until_it_is_thawed(devices: Devices) -> None:
    drive = devices.image("ext4")
    written = threading.Event()

    def write() -> None:
        _write_and_flush(drive.mount / "slow")
        written.set()

    drive.freeze()
    writer = threading.Thread(target=write, daemon=True)
    writer.start()
    assert not written.wait(0.3)
    drive.thaw()
    assert written.wait(10)


def test_a_drive_filled_by_somebody_else_takes_no_more(devices: Devices) -> None:
    drive = devices.image("ext4")
    blocker = drive.fill()
    assert _errno_of(_write_and_flush, drive.mount / "one more", b"z" * 100_000) == errno.ENOSPC
    blocker.unlink()
    _write_and_flush(drive.mount / "room again", b"z" * 100_000)


def test_a_small_tmpfs_runs_full(devices: Devices) -> None:
    mount = devices.tmpfs(1 << 20)
    assert _errno_of(_write_and_flush, mount / "a", bytes(2 << 20)) == errno.ENOSPC


def test_a_disk_with_4096_byte_sectors_refuses_smaller_direct_reads(devices: Devices) -> None:
    drive = devices.image("ext4", sector_bytes=4096)
    path = build(drive.mount, {"a.mov": CONTENT}) / "a.mov"
    handle = os.open(path, os.O_RDONLY | os.O_DIRECT)
    try:
        import mmap  # noqa: PLC0415 - only here

        with mmap.mmap(-1, 4096) as buffer:
            assert _errno_of(os.preadv, handle, [buffer], 512) == errno.EINVAL
            assert os.preadv(handle, [buffer], 4096) == 4096
    finally:
        os.close(handle)


def test_a_read_only_mount_takes_nothing(devices: Devices) -> None:
    drive = devices.image("ext4")
    drive.replug(read_only=True)
    assert _errno_of(_write_and_flush, drive.mount / "a") == errno.EROFS


def test_nothing_stays_mounted_or_attached_even_after_a_failure(tmp_path: Path) -> None:
    nodes = []
    with pytest.raises(ZeroDivisionError), Devices(tmp_path) as devices:
        drives = [devices.image(file_system) for file_system in FILE_SYSTEMS]
        nodes = [drive.node for drive in drives]
        held = os.open(drives[0].mount, os.O_RDONLY)
        drives[1].freeze()
        devices.tmpfs()
        raise ZeroDivisionError
    os.close(held)
    assert str(tmp_path) not in Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace")
    assert until(lambda: not any(str(tmp_path) in (loops.backing(node) or "") for node in nodes))


def test_more_drives_than_the_machine_has_loop_nodes(devices: Devices) -> None:
    drives = [devices.image("ext4", size_bytes=4 << 20) for _ in range(10)]
    assert len({drive.node for drive in drives}) == 10
