"""The real Win32 calls against a kernel32 of our own: layouts, arguments, error codes, text in UTF-16."""

from __future__ import annotations

import ctypes
from typing import Any

import pytest

from rollproof.storage import windows_calls as win
from rollproof.storage import windows_kernel as kernel
from rollproof.storage.windows_calls import FoundFile, Win32Failure
from rollproof.storage.windows_kernel import SystemCalls, from_wide, wide

INVALID = ctypes.c_void_p(-1).value
NAME = "\U0001f514 A003 \ud800.mov"  # a pair of surrogates, and a lone one


class Function:
    """One function of the library: `restype` and `argtypes` as ctypes sets them, the body as the test gives it."""

    restype: Any = None
    argtypes: Any = ()

    def __init__(self, body: Any) -> None:
        self._body = body
        self.seen: list[tuple[Any, ...]] = []

    def __call__(self, *arguments: Any) -> Any:
        assert len(arguments) == len(self.argtypes), "as many arguments as the function has"
        for argument, wanted in zip(arguments, self.argtypes, strict=True):
            wanted.from_param(argument)  # raises for what ctypes would not pass
        self.seen.append(arguments)
        return self._body(*arguments)


class Library:
    """A kernel32 whose functions all succeed and do nothing, unless a test gave one a body."""

    def __init__(self, **bodies: Any) -> None:
        self._functions = {name: Function(body) for name, body in bodies.items()}

    def __getattr__(self, name: str) -> Function:
        return self._functions.setdefault(name, Function(lambda *_: 1))


def calls(code: int = 0, **bodies: Any) -> tuple[SystemCalls, Library]:
    library = Library(**bodies)
    return SystemCalls(library, lambda: code), library


@pytest.mark.parametrize(
    ("structure", "size", "offsets"),
    [
        (kernel.ByHandleFileInformation, 52, {"modified": 20, "volume_serial": 28, "size_high": 32, "index_low": 48}),
        (kernel.StandardInfo, 24, {"allocation": 0, "end_of_file": 8, "links": 16, "directory": 21}),
        (kernel.AttributeTagInfo, 8, {"reparse_tag": 4}),
        (kernel.FileIdInfo, 24, {"file_id": 8}),
        (kernel.FindData, 592, {"size_high": 28, "reserved_0": 36, "name": 44, "alternate_name": 564}),
        (kernel.Overlapped, 32, {"offset": 16, "offset_high": 20, "event": 24}),
        (kernel.FileTime, 8, {"high": 4}),
    ],
)
def test_structures_are_laid_out_as_in_the_headers(
    structure: type[ctypes.Structure], size: int, offsets: dict[str, int]
) -> None:
    assert ctypes.sizeof(structure) == size
    assert {name: getattr(structure, name).offset for name in offsets} == offsets


def test_text_goes_to_utf_16_and_back_with_every_surrogate() -> None:
    assert wide("Ab") == b"A\0b\0\0\0"
    assert from_wide(wide(NAME)) == NAME
    assert from_wide(wide("short") + b"x\0y\0") == "short"


def test_a_file_is_opened_with_the_arguments_in_their_places() -> None:
    system, library = calls(CreateFileW=lambda *_: 0x1234)
    assert system.create_file("\\\\?\\D:\\clip", 1, 2, 3, 4) == 0x1234
    assert library.CreateFileW.seen == [(wide("\\\\?\\D:\\clip"), 1, 2, None, 3, 4, None)]


def test_handles_are_as_wide_as_pointers_and_not_cut_to_32_bits() -> None:
    _, library = calls()
    for name in ("CreateFileW", "FindFirstFileExW"):
        assert getattr(library, name).restype is ctypes.c_void_p
    for name in ("CloseHandle", "ReadFile", "WriteFile", "FlushFileBuffers", "FindClose"):
        assert getattr(library, name).argtypes[0] is ctypes.c_void_p


@pytest.mark.parametrize("answer", [INVALID, None, 0])
def test_an_invalid_handle_is_a_failure_with_its_code(answer: int | None) -> None:
    system, _ = calls(win.SHARING_VIOLATION, CreateFileW=lambda *_: answer)
    with pytest.raises(Win32Failure) as caught:
        system.create_file("x", 0, 0, 0, 0)
    assert (caught.value.code, caught.value.function) == (win.SHARING_VIOLATION, "CreateFileW")


@pytest.mark.parametrize("offset", [0, 5, 0x1_0000_0002, win.APPEND_OFFSET])
def test_transfers_go_to_the_offset_they_name(offset: int) -> None:
    def transfer(_handle: int, _buffer: Any, size: int, count: Any, place: Any) -> int:
        assert place._obj.offset | place._obj.offset_high << 32 == offset
        count._obj.value = size - 1
        return 1

    system, _ = calls(ReadFile=transfer, WriteFile=transfer)
    assert system.write_file(1, memoryview(b"0123"), offset) == 3
    assert system.write_file(1, memoryview(bytearray(b"0123")), offset) == 3
    assert system.read_file(1, memoryview(bytearray(4)), offset) == 3


def test_bytes_are_read_into_and_written_from_the_memory_of_the_view() -> None:
    def read(_handle: int, buffer: Any, size: int, count: Any, _place: Any) -> int:
        ctypes.memmove(buffer, b"bells"[:size], size)
        count._obj.value = size
        return 1

    taken: list[bytes] = []

    def write(_handle: int, buffer: Any, size: int, count: Any, _place: Any) -> int:
        taken.append(ctypes.string_at(buffer, size))
        count._obj.value = size
        return 1

    system, _ = calls(ReadFile=read, WriteFile=write)
    memory = bytearray(8)
    assert system.read_file(1, memoryview(memory)[2:7], 0) == 5
    assert memory == b"\0\0bells\0"
    system.write_file(1, memoryview(memory)[2:7], 0)
    system.write_file(1, memoryview(b"a\0b"), 0)
    assert taken == [b"bells", b"a\0b"]


def test_the_end_of_a_file_is_no_failure_of_a_read_but_of_a_write() -> None:
    system, _ = calls(win.HANDLE_EOF, ReadFile=lambda *_: 0, WriteFile=lambda *_: 0)
    assert system.read_file(1, memoryview(bytearray(4)), 9) == 0
    with pytest.raises(Win32Failure):
        system.write_file(1, memoryview(b"0123"), 9)


def test_an_empty_transfer_asks_nothing() -> None:
    system, library = calls()
    assert system.write_file(1, memoryview(b""), 0) == 0
    assert library.WriteFile.seen == []


@pytest.mark.parametrize("has_identity", [True, False])
def test_what_is_known_of_a_file_is_put_together_from_four_answers(has_identity: bool) -> None:
    def basic(_handle: int, into: Any) -> int:
        found = into._obj
        found.attributes = win.ATTRIBUTE_REPARSE_POINT
        found.modified.high, found.modified.low = 3, 4
        found.volume_serial, found.links = 0xABCD, 2
        found.size_high, found.size_low = 1, 2
        found.index_high, found.index_low = 5, 6
        return 1

    def extended(_handle: int, information_class: int, into: Any, size: int) -> int:
        found = into._obj
        assert size == ctypes.sizeof(found)
        if information_class == 1:
            found.allocation = 4096
        elif information_class == 9:
            found.reparse_tag = win.TAG_SYMLINK
        elif information_class == 18:
            found.volume_serial, found.file_id[0] = 0x1122334455667788, 9
            return int(has_identity)
        return 1

    system, _ = calls(win.INVALID_PARAMETER, GetFileInformationByHandle=basic, GetFileInformationByHandleEx=extended)
    found = system.file_information(1)
    assert found.size == 0x1_0000_0002
    assert found.modified == 0x3_0000_0004
    assert (found.reparse_tag, found.allocation, found.links) == (win.TAG_SYMLINK, 4096, 2)
    expected = (0x1122334455667788, 9) if has_identity else (0xABCD, 0x5_0000_0006)
    assert (found.volume_serial, found.file_id) == expected


def test_a_listing_is_read_to_its_end_and_closed() -> None:
    names = iter([NAME, "link"])

    def fill(data: Any) -> int:
        name = next(names, None)
        if name is None:
            return 0
        units = wide(name)
        ctypes.memmove(ctypes.addressof(data) + kernel.FindData.name.offset, units, len(units))
        data.attributes = win.ATTRIBUTE_REPARSE_POINT if name == "link" else 0
        data.reserved_0 = win.TAG_SYMLINK
        return 7

    system, library = calls(
        win.NO_MORE_FILES,
        FindFirstFileExW=lambda _path, _level, data, *_: fill(data._obj),
        FindNextFileW=lambda _search, data: fill(data._obj),
    )
    assert system.find_files("x\\*") == [
        FoundFile(NAME, 0, 0),
        FoundFile("link", win.ATTRIBUTE_REPARSE_POINT, win.TAG_SYMLINK),
    ]
    assert library.FindClose.seen == [(7,)]


def test_a_listing_that_breaks_off_is_a_failure_not_a_short_list() -> None:
    system, library = calls(1117, FindFirstFileExW=lambda *_: 7, FindNextFileW=lambda *_: 0)
    with pytest.raises(Win32Failure) as caught:
        system.find_files("x\\*")
    assert caught.value.code == 1117
    assert library.FindClose.seen == [(7,)]


def test_a_long_path_is_asked_for_again_with_enough_room() -> None:
    long = "D:\\" + "bell\\" * 300

    def final(_handle: int, buffer: Any, units: int, _flags: int) -> int:
        text = wide(long)
        if units < len(text) // 2:
            return len(text) // 2  # with the terminating zero
        ctypes.memmove(buffer, text, len(text))
        return len(text) // 2 - 1

    system, library = calls(GetFinalPathNameByHandleW=final)
    assert system.final_path(1, win.FILE_NAME_DOS) == long
    assert len(library.GetFinalPathNameByHandleW.seen) == 2


def test_a_path_that_cannot_be_told_is_a_failure() -> None:
    system, _ = calls(win.PATH_NOT_FOUND, GetFullPathNameW=lambda *_: 0)
    with pytest.raises(Win32Failure):
        system.full_path("x")


def test_sizes_and_times_are_passed_as_numbers_of_64_bits() -> None:
    seen: list[Any] = []

    def sized(_handle: int, information_class: int, value: Any, size: int) -> int:
        seen.append((information_class, value._obj.value, size))
        return 1

    def timed(_handle: int, created: Any, accessed: Any, modified: Any) -> int:
        seen.append((created, accessed._obj.high, modified._obj.low))
        return 1

    system, _ = calls(SetFileInformationByHandle=sized, SetFileTime=timed)
    system.set_size(1, win.INFO_END_OF_FILE, 1 << 40)
    system.set_file_time(1, 0x5_0000_0000, 0x7_0000_0009)
    assert seen == [(win.INFO_END_OF_FILE, 1 << 40, 8), (None, 5, 9)]


def test_space_and_name_of_a_volume_come_from_their_own_calls() -> None:
    def space(_path: bytes, available: Any, total: Any, _free: Any) -> int:
        available._obj.value, total._obj.value = 1 << 41, 1 << 42
        return 1

    def volume(_root: bytes, label: Any, _n: int, _s: Any, _m: Any, flags: Any, system: Any, _k: int) -> int:
        ctypes.memmove(label, wide("BELLS"), 12)
        ctypes.memmove(system, wide("exFAT"), 12)
        flags._obj.value = win.VOLUME_IS_READ_ONLY
        return 1

    system, _ = calls(GetDiskFreeSpaceExW=space, GetVolumeInformationW=volume)
    assert system.disk_space("D:\\") == (1 << 41, 1 << 42)
    told = system.volume_information("D:\\")
    assert (told.label, told.file_system, told.flags) == ("BELLS", "exFAT", win.VOLUME_IS_READ_ONLY)


@pytest.mark.parametrize(
    ("method", "arguments", "function"),
    [
        ("close_handle", (1,), "CloseHandle"),
        ("flush_file_buffers", (1,), "FlushFileBuffers"),
        ("create_directory", ("x",), "CreateDirectoryW"),
        ("remove_directory", ("x",), "RemoveDirectoryW"),
        ("delete_file", ("x",), "DeleteFileW"),
        ("move_file", ("x", "y", 8), "MoveFileExW"),
        ("device_length", (1,), "DeviceIoControl"),
    ],
)
def test_every_failed_call_names_itself_and_its_code(method: str, arguments: tuple[Any, ...], function: str) -> None:
    system, _ = calls(5, **{function: lambda *_: 0})
    with pytest.raises(Win32Failure) as caught:
        getattr(system, method)(*arguments)
    assert (caught.value.code, caught.value.function) == (5, function)
    system, library = calls()
    getattr(system, method)(*arguments)
    assert len(getattr(library, function).seen) == 1


def test_off_windows_the_real_calls_say_that_they_are_not_here() -> None:
    with pytest.raises(OSError):
        SystemCalls()
