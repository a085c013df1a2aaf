"""The Win32 entry points `windows.py` needs, behind one small interface, and what their error codes mean.

Not run on this system; behind the interface with unit tests on fakes. Constants are those of the Windows SDK headers
(`winbase.h`, `winnt.h`, `fileapi.h`, `winerror.h`). `windows_kernel.py` makes the real calls.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from typing import Protocol

# access rights (winnt.h)
FILE_LIST_DIRECTORY = 0x0001
FILE_ADD_FILE = 0x0002
FILE_READ_ATTRIBUTES = 0x0080
FILE_WRITE_ATTRIBUTES = 0x0100
DELETE = 0x00010000
GENERIC_READ = 0x80000000
GENERIC_WRITE = 0x40000000

# share modes, dispositions, flags (fileapi.h, winbase.h)
SHARE_READ, SHARE_WRITE, SHARE_DELETE = 1, 2, 4
SHARE_ALL = SHARE_READ | SHARE_WRITE | SHARE_DELETE
CREATE_NEW, OPEN_EXISTING, OPEN_ALWAYS = 1, 3, 4
FLAG_WRITE_THROUGH = 0x80000000
FLAG_NO_BUFFERING = 0x20000000
FLAG_DELETE_ON_CLOSE = 0x04000000
FLAG_BACKUP_SEMANTICS = 0x02000000
FLAG_OPEN_REPARSE_POINT = 0x00200000

# attributes and reparse tags (winnt.h)
ATTRIBUTE_HIDDEN = 0x0002
ATTRIBUTE_DIRECTORY = 0x0010
ATTRIBUTE_DEVICE = 0x0040
ATTRIBUTE_NORMAL = 0x0080
ATTRIBUTE_REPARSE_POINT = 0x0400
ATTRIBUTE_COMPRESSED = 0x0800
ATTRIBUTE_ENCRYPTED = 0x4000
TAG_MOUNT_POINT = 0xA0000003
TAG_SYMLINK = 0xA000000C
TAG_NAME_SURROGATE = 0x20000000
"""Set in the tag of everything that stands for another name: symbolic links, junctions, mounted folders."""

VOLUME_IS_READ_ONLY = 0x00080000  # FILE_READ_ONLY_VOLUME
MOVE_REPLACE_EXISTING, MOVE_WRITE_THROUGH = 1, 8
FILE_NAME_OPENED_GUID = 0x1  # VOLUME_NAME_GUID, FILE_NAME_NORMALIZED
FILE_NAME_DOS = 0x0
INFO_ALLOCATION, INFO_END_OF_FILE = 5, 6  # FILE_INFO_BY_HANDLE_CLASS
APPEND_OFFSET = 0xFFFFFFFF_FFFFFFFF
"""WriteFile: "to write to the end of file, specify both Offset and OffsetHigh as 0xFFFFFFFF"."""

# winerror.h
FILE_NOT_FOUND, PATH_NOT_FOUND, ACCESS_DENIED, INVALID_HANDLE = 2, 3, 5, 6
DELETE_PENDING = 303
NO_MORE_FILES, WRITE_PROTECT, SHARING_VIOLATION, HANDLE_EOF, NOT_SUPPORTED = 18, 19, 32, 38, 50
INVALID_FUNCTION, FILE_EXISTS, INVALID_PARAMETER, DISK_FULL, ALREADY_EXISTS, DIR_NOT_EMPTY = 1, 80, 87, 112, 183, 145

_ERRNO_BY_CODE = {
    INVALID_FUNCTION: errno.EOPNOTSUPP,
    FILE_NOT_FOUND: errno.ENOENT,
    PATH_NOT_FOUND: errno.ENOENT,
    4: errno.EMFILE,  # TOO_MANY_OPEN_FILES
    ACCESS_DENIED: errno.EACCES,
    INVALID_HANDLE: errno.EBADF,
    8: errno.ENOMEM,  # NOT_ENOUGH_MEMORY
    14: errno.ENOMEM,  # OUTOFMEMORY
    15: errno.ENOENT,  # INVALID_DRIVE
    17: errno.EXDEV,  # NOT_SAME_DEVICE
    WRITE_PROTECT: errno.EROFS,
    20: errno.ENODEV,  # BAD_UNIT
    21: errno.ENODEV,  # NOT_READY
    SHARING_VIOLATION: errno.EBUSY,
    33: errno.EBUSY,  # LOCK_VIOLATION
    39: errno.ENOSPC,  # HANDLE_DISK_FULL
    NOT_SUPPORTED: errno.EOPNOTSUPP,
    53: errno.ENOENT,  # BAD_NETPATH
    55: errno.ENODEV,  # DEV_NOT_EXIST
    67: errno.ENOENT,  # BAD_NET_NAME
    FILE_EXISTS: errno.EEXIST,
    INVALID_PARAMETER: errno.EINVAL,
    DISK_FULL: errno.ENOSPC,
    123: errno.EINVAL,  # INVALID_NAME
    DIR_NOT_EMPTY: errno.ENOTEMPTY,
    161: errno.EINVAL,  # BAD_PATHNAME
    ALREADY_EXISTS: errno.EEXIST,
    206: errno.ENAMETOOLONG,  # FILENAME_EXCED_RANGE
    223: errno.EFBIG,  # FILE_TOO_LARGE
    267: errno.ENOTDIR,  # DIRECTORY: the name is not one
    DELETE_PENDING: errno.EBUSY,
    433: errno.ENODEV,  # NO_SUCH_DEVICE
    1006: errno.ENODEV,  # FILE_INVALID: the volume was changed under the handle
    1110: errno.ENODEV,  # MEDIA_CHANGED
    1112: errno.ENODEV,  # NO_MEDIA_IN_DRIVE
    1167: errno.ENODEV,  # DEVICE_NOT_CONNECTED
    1224: errno.EBUSY,  # USER_MAPPED_FILE
    1295: errno.ENOSPC,  # DISK_QUOTA_EXCEEDED
    1314: errno.EPERM,  # PRIVILEGE_NOT_HELD
    1617: errno.ENODEV,  # DEVICE_REMOVED
    1921: errno.ELOOP,  # CANT_RESOLVE_FILENAME
}


def verbatim(path: str) -> str:
    """The `\\\\?\\` form of an absolute path: no length limit, and no name is interpreted."""
    if path.startswith("\\\\?\\"):
        return path
    return "\\\\?\\UNC\\" + path[2:] if path.startswith("\\\\") else "\\\\?\\" + path


class Win32Failure(Exception):
    """A Win32 call that failed, with the code of GetLastError and the name of the function."""

    def __init__(self, code: int, function: str) -> None:
        super().__init__(f"{function}: Windows error {code}")
        self.code = code
        self.function = function

    def as_os_error(self, name: bytes | None = None) -> OSError:
        """The same as an OSError with `errno` set; EIO for every code that is none of the everyday ones, so that an
        unknown failure is taken for a failing drive rather than for something harmless."""
        code = _ERRNO_BY_CODE.get(self.code, errno.EIO)
        text = f"{os.strerror(code)} ({self})"
        return OSError(code, text) if name is None else OSError(code, text, name)


@dataclass(frozen=True, slots=True)
class FileInformation:
    """What GetFileInformationByHandle(Ex) tells. `modified` counts 100 ns since 1601; sizes are bytes."""

    attributes: int
    reparse_tag: int
    modified: int
    volume_serial: int
    size: int
    allocation: int
    links: int
    file_id: int


@dataclass(frozen=True, slots=True)
class FoundFile:
    """One entry of a listing; `reparse_tag` is 0 where the entry is no reparse point."""

    name: str
    attributes: int
    reparse_tag: int


@dataclass(frozen=True, slots=True)
class VolumeInformation:
    """What a volume says of itself; `flags` as of GetVolumeInformationW."""

    label: str
    file_system: str
    flags: int


class Win32Calls(Protocol):
    """One method per Win32 function (or family). Every failure is a `Win32Failure`; paths are absolute, `\\\\?\\…`."""

    def full_path(self, path: str) -> str:
        """GetFullPathNameW: the absolute form of a path as a person gave it."""
        ...

    def final_path(self, handle: int, flags: int) -> str:
        """GetFinalPathNameByHandleW: the path with every link resolved, in `\\\\?\\` form."""
        ...

    def create_file(self, path: str, access: int, share: int, disposition: int, flags: int) -> int:
        """CreateFileW, without security attributes and template."""
        ...

    def close_handle(self, handle: int) -> None:
        """CloseHandle."""
        ...

    def read_file(self, handle: int, view: memoryview, offset: int) -> int:
        """ReadFile at an offset; 0 at and beyond the end of the file."""
        ...

    def write_file(self, handle: int, view: memoryview, offset: int) -> int:
        """WriteFile at an offset, `APPEND_OFFSET` for the end of the file."""
        ...

    def flush_file_buffers(self, handle: int) -> None:
        """FlushFileBuffers."""
        ...

    def set_size(self, handle: int, information_class: int, size: int) -> None:
        """SetFileInformationByHandle with `INFO_END_OF_FILE` or `INFO_ALLOCATION`."""
        ...

    def set_file_time(self, handle: int, accessed: int, modified: int) -> None:
        """SetFileTime, 100 ns since 1601; the creation time stays."""
        ...

    def file_information(self, handle: int) -> FileInformation:
        """GetFileInformationByHandle and GetFileInformationByHandleEx."""
        ...

    def find_files(self, pattern: str) -> list[FoundFile]:
        """FindFirstFileW to FindClose, `.` and `..` included where the file system has them."""
        ...

    def find_streams(self, path: str) -> list[tuple[str, int]]:
        """FindFirstStreamW to FindClose: `:name:$DATA` and size of every stream of a file or folder, `::$DATA` (the
        content of a file) included; none where there are none."""
        ...

    def create_directory(self, path: str) -> None:
        """CreateDirectoryW."""
        ...

    def remove_directory(self, path: str) -> None:
        """RemoveDirectoryW."""
        ...

    def delete_file(self, path: str) -> None:
        """DeleteFileW: a link is deleted itself, never what it points to."""
        ...

    def move_file(self, old: str, new: str, flags: int) -> None:
        """MoveFileExW."""
        ...

    def disk_space(self, path: str) -> tuple[int, int]:
        """GetDiskFreeSpaceExW: bytes available to the caller, and the size of the volume."""
        ...

    def volume_information(self, root: str) -> VolumeInformation:
        """GetVolumeInformationW for the top folder of a volume, with its trailing backslash."""
        ...

    def device_length(self, handle: int) -> int:
        """DeviceIoControl(IOCTL_DISK_GET_LENGTH_INFO)."""
        ...
