"""The real Win32 calls, by ctypes on kernel32.

Not run on this system; behind the interface with unit tests on fakes. Structures are those of the Windows SDK headers,
written with types of fixed width, so that a test can check every size and offset on any system.
"""

from __future__ import annotations

import ctypes
import errno
import sys
from collections.abc import Callable
from typing import Any

from rollproof.storage.windows_calls import (
    ATTRIBUTE_REPARSE_POINT,
    HANDLE_EOF,
    NO_MORE_FILES,
    FileInformation,
    FoundFile,
    VolumeInformation,
    Win32Failure,
)


class FileTime(ctypes.Structure):
    """FILETIME."""

    _fields_ = (("low", ctypes.c_uint32), ("high", ctypes.c_uint32))


class ByHandleFileInformation(ctypes.Structure):
    """BY_HANDLE_FILE_INFORMATION."""

    _fields_ = (
        ("attributes", ctypes.c_uint32),
        ("created", FileTime),
        ("accessed", FileTime),
        ("modified", FileTime),
        ("volume_serial", ctypes.c_uint32),
        ("size_high", ctypes.c_uint32),
        ("size_low", ctypes.c_uint32),
        ("links", ctypes.c_uint32),
        ("index_high", ctypes.c_uint32),
        ("index_low", ctypes.c_uint32),
    )


class StandardInfo(ctypes.Structure):
    """FILE_STANDARD_INFO."""

    _fields_ = (
        ("allocation", ctypes.c_int64),
        ("end_of_file", ctypes.c_int64),
        ("links", ctypes.c_uint32),
        ("delete_pending", ctypes.c_uint8),
        ("directory", ctypes.c_uint8),
    )


class AttributeTagInfo(ctypes.Structure):
    """FILE_ATTRIBUTE_TAG_INFO."""

    _fields_ = (("attributes", ctypes.c_uint32), ("reparse_tag", ctypes.c_uint32))


class FileIdInfo(ctypes.Structure):
    """FILE_ID_INFO."""

    _fields_ = (("volume_serial", ctypes.c_uint64), ("file_id", ctypes.c_uint8 * 16))


class FindData(ctypes.Structure):
    """WIN32_FIND_DATAW, names as UTF-16 units."""

    _fields_ = (
        ("attributes", ctypes.c_uint32),
        ("created", FileTime),
        ("accessed", FileTime),
        ("modified", FileTime),
        ("size_high", ctypes.c_uint32),
        ("size_low", ctypes.c_uint32),
        ("reserved_0", ctypes.c_uint32),
        ("reserved_1", ctypes.c_uint32),
        ("name", ctypes.c_uint16 * 260),
        ("alternate_name", ctypes.c_uint16 * 14),
    )


class FindStreamData(ctypes.Structure):
    """WIN32_FIND_STREAM_DATA, the name as UTF-16 units."""

    _fields_ = (("size", ctypes.c_int64), ("name", ctypes.c_uint16 * 296))


class Overlapped(ctypes.Structure):
    """OVERLAPPED."""

    _fields_ = (
        ("internal", ctypes.c_size_t),
        ("internal_high", ctypes.c_size_t),
        ("offset", ctypes.c_uint32),
        ("offset_high", ctypes.c_uint32),
        ("event", ctypes.c_void_p),
    )


_INVALID_HANDLE_VALUE = ctypes.c_void_p(-1).value
_STANDARD_INFO, _ATTRIBUTE_TAG_INFO, _FILE_ID_INFO = 1, 9, 18  # FILE_INFO_BY_HANDLE_CLASS
_FIND_BASIC, _FIND_NAME_MATCH, _FIND_LARGE_FETCH = 1, 0, 2
_STREAM_INFO_STANDARD = 0  # STREAM_INFO_LEVELS
_IOCTL_DISK_GET_LENGTH_INFO = 0x0007405C


def wide(text: str) -> bytes:
    """A path as UTF-16 with its terminating zero; lone surrogates as they are."""
    return text.encode("utf-16-le", "surrogatepass") + b"\0\0"


def from_wide(units: bytes) -> str:
    """Text of a buffer of UTF-16 units up to its terminating zero."""
    text = units.decode("utf-16-le", "surrogatepass")
    return text.partition("\0")[0]


def _load() -> tuple[Any, Callable[[], int]]:
    if sys.platform != "win32":
        raise OSError(errno.ENOSYS, "Win32 calls exist on Windows only")
    library = ctypes.WinDLL("kernel32", use_last_error=True)
    return library, ctypes.get_last_error


class SystemCalls:
    """`Win32Calls` by kernel32. The calls release the interpreter lock, so that one hanging drive stops no other."""

    def __init__(self, library: Any = None, last_error: Callable[[], int] | None = None) -> None:
        if library is None or last_error is None:
            library, last_error = _load()
        self._k = library
        self._last_error = last_error
        handle, word, pointer = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_void_p
        path = ctypes.c_char_p  # UTF-16 bytes made by `wide`; only the address counts
        for name, result, arguments in (
            ("CreateFileW", handle, (path, word, word, pointer, word, word, handle)),
            ("CloseHandle", ctypes.c_int, (handle,)),
            ("ReadFile", ctypes.c_int, (handle, pointer, word, pointer, pointer)),
            ("WriteFile", ctypes.c_int, (handle, pointer, word, pointer, pointer)),
            ("FlushFileBuffers", ctypes.c_int, (handle,)),
            ("SetFileInformationByHandle", ctypes.c_int, (handle, ctypes.c_int, pointer, word)),
            ("SetFileTime", ctypes.c_int, (handle, pointer, pointer, pointer)),
            ("GetFileInformationByHandle", ctypes.c_int, (handle, pointer)),
            ("GetFileInformationByHandleEx", ctypes.c_int, (handle, ctypes.c_int, pointer, word)),
            ("FindFirstFileExW", handle, (path, ctypes.c_int, pointer, ctypes.c_int, pointer, word)),
            ("FindNextFileW", ctypes.c_int, (handle, pointer)),
            ("FindFirstStreamW", handle, (path, ctypes.c_int, pointer, word)),
            ("FindNextStreamW", ctypes.c_int, (handle, pointer)),
            ("FindClose", ctypes.c_int, (handle,)),
            ("CreateDirectoryW", ctypes.c_int, (path, pointer)),
            ("RemoveDirectoryW", ctypes.c_int, (path,)),
            ("DeleteFileW", ctypes.c_int, (path,)),
            ("MoveFileExW", ctypes.c_int, (path, path, word)),
            ("GetDiskFreeSpaceExW", ctypes.c_int, (path, pointer, pointer, pointer)),
            ("GetVolumeInformationW", ctypes.c_int, (path, pointer, word, pointer, pointer, pointer, pointer, word)),
            ("GetFullPathNameW", word, (path, word, pointer, pointer)),
            ("GetFinalPathNameByHandleW", word, (handle, pointer, word, word)),
            ("DeviceIoControl", ctypes.c_int, (handle, word, pointer, word, pointer, word, pointer, pointer)),
        ):
            function = getattr(self._k, name)
            function.restype = result
            function.argtypes = arguments

    def _call(self, name: str, *arguments: Any) -> Any:
        result = getattr(self._k, name)(*arguments)
        if not result or result == _INVALID_HANDLE_VALUE:
            raise Win32Failure(self._last_error(), name)
        return result

    def _path_from(self, name: str, fill: Callable[[Any, int], int]) -> str:
        units = 512
        while True:
            buffer = (ctypes.c_uint16 * units)()
            needed = fill(buffer, units)
            if needed == 0:
                raise Win32Failure(self._last_error(), name)
            if needed < units:
                return from_wide(bytes(buffer))
            units = needed + 1

    def full_path(self, path: str) -> str:
        """GetFullPathNameW."""
        given = wide(path)
        return self._path_from(
            "GetFullPathNameW", lambda buffer, units: self._k.GetFullPathNameW(given, units, buffer, None)
        )

    def final_path(self, handle: int, flags: int) -> str:
        """GetFinalPathNameByHandleW."""
        return self._path_from(
            "GetFinalPathNameByHandleW",
            lambda buffer, units: self._k.GetFinalPathNameByHandleW(handle, buffer, units, flags),
        )

    def create_file(self, path: str, access: int, share: int, disposition: int, flags: int) -> int:
        """CreateFileW."""
        return int(self._call("CreateFileW", wide(path), access, share, None, disposition, flags, None))

    def close_handle(self, handle: int) -> None:
        """CloseHandle."""
        self._call("CloseHandle", handle)

    def read_file(self, handle: int, view: memoryview, offset: int) -> int:
        """ReadFile."""
        buffer = (ctypes.c_char * view.nbytes).from_buffer(view)
        return self._transfer("ReadFile", handle, buffer, view.nbytes, offset)

    def write_file(self, handle: int, view: memoryview, offset: int) -> int:
        """WriteFile. A read-only view is copied first: only a writable one lends its address to ctypes."""
        if view.readonly:
            return self._transfer("WriteFile", handle, ctypes.c_char_p(bytes(view)), view.nbytes, offset)
        buffer = (ctypes.c_char * view.nbytes).from_buffer(view)
        return self._transfer("WriteFile", handle, buffer, view.nbytes, offset)

    def _transfer(self, name: str, handle: int, buffer: Any, size: int, offset: int) -> int:
        if size == 0:
            return 0
        count = ctypes.c_uint32(0)
        place = Overlapped(offset=offset & 0xFFFFFFFF, offset_high=offset >> 32)
        try:
            self._call(name, handle, buffer, min(size, 1 << 30), ctypes.byref(count), ctypes.byref(place))
        except Win32Failure as failure:
            if name == "ReadFile" and failure.code == HANDLE_EOF:
                return 0
            raise
        return count.value

    def flush_file_buffers(self, handle: int) -> None:
        """FlushFileBuffers."""
        self._call("FlushFileBuffers", handle)

    def set_size(self, handle: int, information_class: int, size: int) -> None:
        """SetFileInformationByHandle: FILE_END_OF_FILE_INFO and FILE_ALLOCATION_INFO are one LARGE_INTEGER each."""
        value = ctypes.c_int64(size)
        self._call("SetFileInformationByHandle", handle, information_class, ctypes.byref(value), 8)

    def set_file_time(self, handle: int, accessed: int, modified: int) -> None:
        """SetFileTime."""
        self._call("SetFileTime", handle, None, ctypes.byref(_file_time(accessed)), ctypes.byref(_file_time(modified)))

    def file_information(self, handle: int) -> FileInformation:
        """GetFileInformationByHandle and GetFileInformationByHandleEx."""
        basic = ByHandleFileInformation()
        self._call("GetFileInformationByHandle", handle, ctypes.byref(basic))
        tag, standard, identity = AttributeTagInfo(), StandardInfo(), FileIdInfo()
        serial, file_id = int(basic.volume_serial), (basic.index_high << 32) | basic.index_low
        self._extended(handle, _STANDARD_INFO, standard)
        if basic.attributes & ATTRIBUTE_REPARSE_POINT:
            self._extended(handle, _ATTRIBUTE_TAG_INFO, tag)
        try:
            self._extended(handle, _FILE_ID_INFO, identity)
        except Win32Failure:
            pass  # FAT, exFAT and older servers have no 128-bit identity: the 64-bit index stands
        else:
            serial, file_id = int(identity.volume_serial), int.from_bytes(bytes(identity.file_id), "little")
        return FileInformation(
            attributes=basic.attributes,
            reparse_tag=tag.reparse_tag,
            modified=(basic.modified.high << 32) | basic.modified.low,
            volume_serial=serial,
            size=(basic.size_high << 32) | basic.size_low,
            allocation=standard.allocation,
            links=basic.links,
            file_id=file_id,
        )

    def _extended(self, handle: int, information_class: int, into: ctypes.Structure) -> None:
        self._call("GetFileInformationByHandleEx", handle, information_class, ctypes.byref(into), ctypes.sizeof(into))

    def find_files(self, pattern: str) -> list[FoundFile]:
        """FindFirstFileExW without short names, to FindClose."""
        data = FindData()
        found: list[FoundFile] = []
        search = self._call(
            "FindFirstFileExW",
            wide(pattern), _FIND_BASIC, ctypes.byref(data), _FIND_NAME_MATCH, None, _FIND_LARGE_FETCH,
        )  # fmt: skip
        try:
            while True:
                tag = data.reserved_0 if data.attributes & ATTRIBUTE_REPARSE_POINT else 0
                found.append(FoundFile(from_wide(bytes(data.name)), data.attributes, tag))
                try:
                    self._call("FindNextFileW", search, ctypes.byref(data))
                except Win32Failure as failure:
                    if failure.code == NO_MORE_FILES:
                        return found
                    raise
        finally:
            self._k.FindClose(search)

    def find_streams(self, path: str) -> list[tuple[str, int]]:
        """FindFirstStreamW to FindClose."""
        data = FindStreamData()
        found: list[tuple[str, int]] = []
        try:
            search = self._call("FindFirstStreamW", wide(path), _STREAM_INFO_STANDARD, ctypes.byref(data), 0)
        except Win32Failure as failure:
            if failure.code == HANDLE_EOF:
                return []
            raise
        try:
            while True:
                found.append((from_wide(bytes(data.name)), data.size))
                try:
                    self._call("FindNextStreamW", search, ctypes.byref(data))
                except Win32Failure as failure:
                    if failure.code == HANDLE_EOF:
                        return found
                    raise
        finally:
            self._k.FindClose(search)

    def create_directory(self, path: str) -> None:
        """CreateDirectoryW."""
        self._call("CreateDirectoryW", wide(path), None)

    def remove_directory(self, path: str) -> None:
        """RemoveDirectoryW."""
        self._call("RemoveDirectoryW", wide(path))

    def delete_file(self, path: str) -> None:
        """DeleteFileW."""
        self._call("DeleteFileW", wide(path))

    def move_file(self, old: str, new: str, flags: int) -> None:
        """MoveFileExW."""
        self._call("MoveFileExW", wide(old), wide(new), flags)

    def disk_space(self, path: str) -> tuple[int, int]:
        """GetDiskFreeSpaceExW."""
        available, total = ctypes.c_uint64(0), ctypes.c_uint64(0)
        self._call("GetDiskFreeSpaceExW", wide(path), ctypes.byref(available), ctypes.byref(total), None)
        return available.value, total.value

    def volume_information(self, root: str) -> VolumeInformation:
        """GetVolumeInformationW."""
        label, file_system = (ctypes.c_uint16 * 261)(), (ctypes.c_uint16 * 261)()
        flags = ctypes.c_uint32(0)
        self._call(
            "GetVolumeInformationW",
            wide(root), label, 261, None, None, ctypes.byref(flags), file_system, 261,
        )  # fmt: skip
        return VolumeInformation(from_wide(bytes(label)), from_wide(bytes(file_system)), flags.value)

    def device_length(self, handle: int) -> int:
        """DeviceIoControl(IOCTL_DISK_GET_LENGTH_INFO)."""
        length, returned = ctypes.c_int64(0), ctypes.c_uint32(0)
        self._call(
            "DeviceIoControl",
            handle, _IOCTL_DISK_GET_LENGTH_INFO, None, 0, ctypes.byref(length), 8, ctypes.byref(returned), None,
        )  # fmt: skip
        return length.value


def _file_time(value: int) -> FileTime:
    return FileTime(low=value & 0xFFFFFFFF, high=value >> 32)
