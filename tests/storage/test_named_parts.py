"""Alternate data streams, resource forks and extended attributes through the `Io` of each system."""

from __future__ import annotations

import ctypes
import errno
import os
from pathlib import Path

import pytest

from rollproof.storage import macos_calls as mac
from rollproof.storage import windows_calls as win
from rollproof.storage.io import Io, NamedPart, PartsShown
from rollproof.storage.macos import MacosIo
from rollproof.storage.posix import LinuxIo, PosixIo
from rollproof.storage.windows import WindowsIo
from storage.fake_macos import FakeMacos
from storage.fake_win32 import FakeWin32, Node
from storage.test_windows_kernel import calls
from support.devices import Devices, Drive

BIG = 2 << 20


def parts(io: Io, folder: Path | bytes, *names: bytes) -> list[list[NamedPart]]:
    handle = io.open_root(os.fsencode(folder))
    try:
        shown_as = io.parts_shown_as(handle)
        assert shown_as is not None
        return [sorted(io.named_parts(name, handle, shown_as)) for name in names]
    finally:
        io.close(handle)


def shown_as(io: Io, folder: Path | bytes) -> PartsShown | None:
    handle = io.open_root(os.fsencode(folder))
    try:
        return io.parts_shown_as(handle)
    finally:
        io.close(handle)


def head(io: Io, folder: Path | bytes, name: bytes, part: bytes) -> bytes:
    handle = io.open_root(os.fsencode(folder))
    try:
        shown_as = io.parts_shown_as(handle)
        assert shown_as is not None
        return io.beginning_of_part(name, part, handle, shown_as, 4)
    finally:
        io.close(handle)


@pytest.fixture
def ntfs(devices: Devices) -> Drive:
    drive = devices.image("ntfs", plugged=False, name="A003")
    drive.plug_in(options="streams_interface=windows")
    (drive.mount / "D").mkdir()
    for name in ("D/a.mov", "plain.txt", "D/a.mov:big", "D/a.mov:Zone.Identifier", "D:inside"):
        (drive.mount / name).write_bytes(b"b" * BIG if name.endswith("big") else b"small")
    drive.unplug()
    return drive


@pytest.mark.device
@pytest.mark.parametrize(("interface", "big"), [("windows", BIG), ("xattr", None), ("", None)])
def test_streams_of_ntfs(ntfs: Drive, interface: str, big: int | None) -> None:
    ntfs.plug_in(read_only=True, options=f"streams_interface={interface}" if interface else "")
    inside, folder = [NamedPart(b"Zone.Identifier", 5), NamedPart(b"big", big)], [NamedPart(b"inside", 5)]
    assert parts(LinuxIo(), ntfs.mount / "D", b"a.mov", b".") == [inside, folder]
    assert parts(LinuxIo(), ntfs.mount, b"plain.txt", b"D", b".") == [[], folder, []]
    assert head(LinuxIo(), ntfs.mount / "D", b"a.mov", b"Zone.Identifier") == b"smal"


@pytest.mark.device
def test_a_mount_that_shows_no_streams_says_so(ntfs: Drive) -> None:
    ntfs.plug_in(read_only=True, options="streams_interface=none")
    assert shown_as(LinuxIo(), ntfs.mount) is None


@pytest.mark.device
@pytest.mark.parametrize(("file_system", "most"), [("ext4", 600), ("xfs", 60_000), ("btrfs", 15_000)])
def test_attributes_of_other_file_systems(devices: Devices, file_system: str, most: int) -> None:
    drive = devices.image(file_system, name="A003")
    path = drive.mount / "a.mov"
    path.write_bytes(b"1")
    os.setxattr(path, "user.note", b"n" * most)
    os.setxattr(path, "trusted.x", b"not told")
    (drive.mount / "link").symlink_to("a.mov")
    assert parts(LinuxIo(), drive.mount, b"a.mov", b"link") == [[NamedPart(b"note", most)], []]
    assert head(LinuxIo(), drive.mount, b"a.mov", b"note") == b"nnnn"


def test_no_name_leads_out_of_the_folder(tmp_path: Path) -> None:
    for name in (b"..", b"a/b", b""):
        with pytest.raises(OSError, match="not the name of one entry"):
            parts(LinuxIo(), tmp_path, name)


def test_where_the_system_has_no_such_call() -> None:
    assert PosixIo().parts_shown_as(0) is None


def test_macos_tells_resource_forks_and_attributes_of_files_and_folders(tmp_path: Path) -> None:
    (tmp_path / "a.mov").write_bytes(b"1")
    (tmp_path / "D").mkdir()
    system = FakeMacos()
    system.attributes = {mac.RESOURCE_FORK: b"r" * BIG, b"com.apple.quarantine": b"from"}
    expected = [NamedPart(mac.RESOURCE_FORK, BIG), NamedPart(b"com.apple.quarantine", 4)]
    assert parts(MacosIo(system), tmp_path, b"a.mov", b"D", b".") == [expected] * 3
    assert head(MacosIo(system), tmp_path, b"a.mov", mac.RESOURCE_FORK) == b"rrrr"
    system.fail["attribute_names"] = errno.ENOTSUP
    assert shown_as(MacosIo(system), tmp_path) is None
    system.fail["attribute_names"] = errno.EIO
    with pytest.raises(OSError, match="Input/output"):
        shown_as(MacosIo(system), tmp_path)


class AttributeLibrary:
    """A C library with the two calls."""

    def __init__(self) -> None:
        self.reads: list[int] = []

    def __getattr__(self, name: str) -> object:
        def other(*_: object) -> int:
            return 0

        return other

    def _listed(
        self, _handle: object, names: ctypes.Array[ctypes.c_char] | None, _size: object, _options: object
    ) -> int:
        told = mac.RESOURCE_FORK + b"\0com.apple.quarantine\0"
        if names is not None:
            ctypes.memmove(names, told, len(told))
        return len(told)

    def _got(self, _handle: object, _name: object, into: object, room: ctypes.c_size_t, *_rest: object) -> int:
        if into is None:
            return 10
        self.reads.append(room.value)
        ctypes.memmove(into, b"0123456789"[: room.value], room.value)  # type: ignore[arg-type]
        return room.value


def test_macos_reads_part_of_a_fork_and_all_of_any_other_attribute() -> None:
    library = AttributeLibrary()

    def listed(*given: object) -> int:
        return library._listed(*given)  # type: ignore[arg-type]

    def got(*given: object) -> int:
        return library._got(*given)  # type: ignore[arg-type]

    library.__dict__ |= {"flistxattr": listed, "fgetxattr": got}
    system = mac.SystemCalls(library)
    assert system.attribute_names(3) == [mac.RESOURCE_FORK, b"com.apple.quarantine"]
    assert system.attribute(3, mac.RESOURCE_FORK, 0) == (10, b"")
    assert system.attribute(3, mac.RESOURCE_FORK, 4) == (10, b"0123")
    assert system.attribute(3, b"com.apple.quarantine", 4) == (10, b"0123")
    assert library.reads == [4, 10]


def test_windows_tells_streams_and_not_the_content_itself() -> None:
    windows = FakeWin32()
    windows.plant("D/a.mov", Node(data=bytearray(b"12"), streams={"big": bytearray(BIG), "x": bytearray(b"media")}))
    io = WindowsIo(windows)
    assert parts(io, b"D:/D", b"a.mov", b".") == [[NamedPart(b"big", BIG), NamedPart(b"x", 5)], []]
    assert head(io, b"D:/D", b"a.mov", b"x") == b"medi"
    windows.fail["FindFirstStreamW"] = win.INVALID_PARAMETER  # FAT and exFAT
    assert shown_as(io, b"D:/") is None


def test_the_call_of_windows_goes_through_all_streams() -> None:
    names = iter([(b"::$DATA", 2), (b":big:$DATA", BIG)])

    def fill(data: object) -> int:
        try:
            name, size = next(names)
        except StopIteration:
            return 0
        found = data._obj  # type: ignore[attr-defined]
        found.size = size
        ctypes.memmove(found.name, name.decode().encode("utf-16-le") + b"\0\0", 2 * len(name) + 2)
        return 7

    system, library = calls(
        win.HANDLE_EOF,
        FindFirstStreamW=lambda _path, _level, data, _flags: fill(data),
        FindNextStreamW=lambda _search, data: fill(data),
    )  # fmt: skip
    assert system.find_streams("x") == [("::$DATA", 2), (":big:$DATA", BIG)]
    assert library.FindClose.seen == [(7,)]
    none, _ = calls(win.HANDLE_EOF, FindFirstStreamW=lambda *_: 0)
    assert none.find_streams("folder") == []
    broken, library = calls(1117, FindFirstStreamW=lambda *_: 7, FindNextStreamW=lambda *_: 0)
    with pytest.raises(win.Win32Failure):
        broken.find_streams("x")
    assert library.FindClose.seen == [(7,)]
