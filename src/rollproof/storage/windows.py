"""`Io` on Windows, by Win32 calls (`windows_calls.py`).

Not run on this system; behind the interface with unit tests on fakes. What differs from the other systems:

- Win32 opens by path only. A folder is held open without sharing its deletion, so neither it nor a folder above it
  can be renamed or replaced while we work below it, and paths go by the volume's own identity
  (`\\\\?\\Volume{…}\\`) where it has one: another medium under the same letter is never reached.
- Every open is of the link itself (FILE_FLAG_OPEN_REPARSE_POINT), and the kind is judged on the open handle.
- Names are UTF-8 here and UTF-16 there; a lone surrogate keeps its place (`surrogatepass`). Separators, colons
  (streams) and dots are refused, not interpreted.
- Folders cannot be locked: the lock is a file in the folder, opened without sharing and deleted with its handle.
- Windows tells nothing about cached pages: `resident_pages` counts all of them, the safe side.
- Reads and writes of one handle are done one after the other by the system; open a second handle for more at once.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rollproof.storage import windows_calls as win
from rollproof.storage.io import OPEN_TOGETHER, EntryKind, NamedPart, PartsShown, Stat, one_by_one
from rollproof.storage.windows_calls import FileInformation, Win32Calls, Win32Failure

LOCK_NAME = b"LOCKED.rollproof-partial"
"""The lock of a folder while an offload holds it; like every unfinished file it carries the suffix for them."""

_EPOCH = 116_444_736_000_000_000  # 1970-01-01 in units of 100 ns since 1601-01-01
_PAGE_BYTES = 4096
_LOCK_TRIES = 8
_SECTOR_BYTES = 512
_CHARACTERS_REFUSED = frozenset('/\\:*?"<>|\0')
_FOLDER_ACCESS = win.FILE_LIST_DIRECTORY | win.FILE_READ_ATTRIBUTES
_FOLDER_FLAGS = win.FLAG_BACKUP_SEMANTICS
_DIRECT_FLAGS = win.FLAG_NO_BUFFERING | win.FLAG_WRITE_THROUGH
_NO_FOLDER_FLUSH = frozenset({win.INVALID_FUNCTION, win.NOT_SUPPORTED, win.INVALID_PARAMETER})


@dataclass(slots=True)
class _Open:
    """One handle of ours: the Win32 handle, its `\\\\?\\` path, and what it is."""

    handle: int
    path: str
    kind: EntryKind
    appends: bool = False
    lock: int | None = None


@contextlib.contextmanager
def _translated(name: bytes | None = None) -> Iterator[None]:
    try:
        yield
    except Win32Failure as failure:
        raise failure.as_os_error(name) from failure


def _text_of(name: bytes) -> str:
    try:
        text = name.decode("utf-8", "surrogatepass")
    except UnicodeDecodeError:
        raise OSError(errno.EILSEQ, "Windows cannot hold a name that is not UTF-8", name) from None
    units = text.encode("utf-16-le", "surrogatepass")
    if units.decode("utf-16-le", "surrogatepass") != text:
        # two halves of a pair written one by one would come back as another name
        raise OSError(errno.EILSEQ, "Windows cannot hold a name that is not UTF-8", name)
    return text


def _component(name: bytes) -> str:
    text = _text_of(name)
    if text in ("", ".", "..") or any(letter in _CHARACTERS_REFUSED or letter < " " for letter in text):
        raise OSError(errno.EINVAL, "Windows cannot hold this name", name)
    return text


def _below(path: str, text: str) -> str:
    return path.rstrip("\\") + "\\" + text


def _kind(attributes: int, reparse_tag: int) -> EntryKind:
    """Whatever stands for another name is a link; other reparse points (a placeholder for a file kept elsewhere, a
    deduplicated file) are special: their bytes are not simply here."""
    if attributes & win.ATTRIBUTE_REPARSE_POINT:
        return EntryKind.LINK if reparse_tag & win.TAG_NAME_SURROGATE else EntryKind.SPECIAL
    if attributes & win.ATTRIBUTE_DIRECTORY:
        return EntryKind.FOLDER
    return EntryKind.SPECIAL if attributes & win.ATTRIBUTE_DEVICE else EntryKind.FILE


def _kind_of(found: FileInformation) -> EntryKind:
    return _kind(found.attributes, found.reparse_tag)


def _as_stat(found: FileInformation) -> Stat:
    kind = _kind_of(found)
    return Stat(
        kind=kind,
        size=found.size if kind is EntryKind.FILE else 0,
        modified_ns=(found.modified - _EPOCH) * 100,
        device=found.volume_serial,
        inode=found.file_id,
        links=found.links,
    )


def _stream_name(stream: str) -> str:
    """The name in `:name:$DATA`; empty for the content itself (`::$DATA`) and for streams of other types, which hold
    what the file system keeps for itself."""
    name, _, kind = stream.removeprefix(":").rpartition(":")
    return name if kind == "$DATA" else ""


class WindowsIo:
    """Folder handles and files by Win32. Handles are small numbers of our own, good for every thread."""

    name = "windows"
    reads_at_once = 1
    open_together = OPEN_TOGETHER  # (a program may have thousands of handles)

    def __init__(self, calls: Win32Calls | None = None) -> None:
        if calls is None:
            from rollproof.storage.windows_kernel import SystemCalls  # noqa: PLC0415 - raises off Windows

            calls = SystemCalls()
        self._calls = calls
        self._table: dict[int, _Open] = {}
        self._next = 1
        self._guard = threading.Lock()

    # --- the table of handles
    def _keep(self, opened: _Open) -> int:
        with self._guard:
            number, self._next = self._next, self._next + 1
            self._table[number] = opened
        return number

    def _of(self, handle: int) -> _Open:
        with self._guard:
            found = self._table.get(handle)
        if found is None:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        return found

    def _folder(self, handle: int) -> _Open:
        found = self._of(handle)
        if found.kind is not EntryKind.FOLDER:
            raise OSError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
        return found

    def _path(self, name: bytes, folder: int) -> str:
        return _below(self._folder(folder).path, _component(name))

    # --- folders
    def open_root(self, path: bytes) -> int:
        calls = self._calls
        with _translated(path):
            full = win.verbatim(calls.full_path(_text_of(path)))
            share = win.SHARE_READ | win.SHARE_WRITE
            handle = calls.create_file(full, _FOLDER_ACCESS, share, win.OPEN_EXISTING, _FOLDER_FLAGS)
            try:
                if _kind_of(calls.file_information(handle)) is not EntryKind.FOLDER:
                    raise OSError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), path)
                try:
                    final = calls.final_path(handle, win.FILE_NAME_OPENED_GUID)
                except Win32Failure:
                    final = calls.final_path(handle, win.FILE_NAME_DOS)  # a network share has no volume identity
            except BaseException:
                calls.close_handle(handle)
                raise
        return self._keep(_Open(handle, final, EntryKind.FOLDER))

    def open_folder(self, name: bytes, folder: int) -> int:
        path = self._folder(folder).path if name == b"." else self._path(name, folder)
        share = win.SHARE_READ | win.SHARE_WRITE  # not SHARE_DELETE: the path must stay what it is
        opened = self._open(path, name, _FOLDER_ACCESS, share, win.OPEN_EXISTING, _FOLDER_FLAGS)
        if opened.kind is not EntryKind.FOLDER:
            self._calls.close_handle(opened.handle)
            code = errno.ELOOP if opened.kind is EntryKind.LINK else errno.ENOTDIR
            raise OSError(code, os.strerror(code), name)
        return self._keep(opened)

    def _open(self, path: str, name: bytes, access: int, share: int, disposition: int, flags: int) -> _Open:
        with _translated(name):
            handle = self._calls.create_file(path, access, share, disposition, flags | win.FLAG_OPEN_REPARSE_POINT)
            try:
                return _Open(handle, path, _kind_of(self._calls.file_information(handle)))
            except BaseException:
                self._calls.close_handle(handle)
                raise

    def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
        path = self._folder(folder).path
        try:
            entries = self._calls.find_files(_below(path, "*"))
        except Win32Failure as failure:
            if failure.code == win.FILE_NOT_FOUND:
                return []  # the empty root of a volume has not even `.`
            raise failure.as_os_error() from failure
        found = [
            (entry.name.encode("utf-8", "surrogatepass"), _kind(entry.attributes, entry.reparse_tag))
            for entry in entries
            if entry.name not in (".", "..")
        ]
        if self._holds_lock(path):
            found = [entry for entry in found if entry[0] != LOCK_NAME]
        return found

    def _holds_lock(self, path: str) -> bool:
        with self._guard:
            return any(
                opened.lock is not None and opened.path.lower() == path.lower() for opened in self._table.values()
            )

    def make_folder(self, name: bytes, folder: int) -> None:
        with _translated(name):
            self._calls.create_directory(self._path(name, folder))

    def remove_folder(self, name: bytes, folder: int) -> None:
        if self.stat(name, folder).kind is not EntryKind.FOLDER:  # RemoveDirectoryW would remove a junction
            raise OSError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), name)
        with _translated(name):
            self._calls.remove_directory(self._path(name, folder))

    # --- files
    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        flags = win.FLAG_BACKUP_SEMANTICS | (
            win.FLAG_NO_BUFFERING if direct else 0
        )  # so that a folder opens and is told
        access = win.GENERIC_READ
        return self._regular(
            self._open(self._path(name, folder), name, access, win.SHARE_ALL, win.OPEN_EXISTING, flags), name
        )

    def _regular(self, opened: _Open, name: bytes) -> int:
        if opened.kind is not EntryKind.FILE:
            self._calls.close_handle(opened.handle)
            if opened.kind is EntryKind.LINK:
                raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), name)
            raise OSError(errno.EINVAL, "not a regular file", name)
        return self._keep(opened)

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        flags = win.ATTRIBUTE_NORMAL | (_DIRECT_FLAGS if direct else 0)
        access = win.GENERIC_READ | win.GENERIC_WRITE
        return self._keep(self._open(self._path(name, folder), name, access, win.SHARE_ALL, win.CREATE_NEW, flags))

    def open_append(self, name: bytes, folder: int, *, create: bool) -> int:
        access = win.GENERIC_READ | win.GENERIC_WRITE
        disposition = win.OPEN_ALWAYS if create else win.OPEN_EXISTING
        opened = self._open(self._path(name, folder), name, access, win.SHARE_ALL, disposition, win.ATTRIBUTE_NORMAL)
        opened.appends = True
        return self._regular(opened, name)

    def stat(self, name: bytes, folder: int) -> Stat:
        path = self._path(name, folder)
        flags = win.FLAG_BACKUP_SEMANTICS | win.FLAG_OPEN_REPARSE_POINT
        with _translated(name):
            handle = self._calls.create_file(path, win.FILE_READ_ATTRIBUTES, win.SHARE_ALL, win.OPEN_EXISTING, flags)
            try:
                return _as_stat(self._calls.file_information(handle))
            finally:
                self._calls.close_handle(handle)

    def fstat(self, handle: int) -> Stat:
        with _translated():
            return _as_stat(self._calls.file_information(self._of(handle).handle))

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        with _translated():
            return self._calls.read_file(self._of(handle).handle, view, offset)

    def read_many(self, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
        return one_by_one(self, reads)

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        opened = self._of(handle)
        with _translated():
            return self._calls.write_file(opened.handle, view, win.APPEND_OFFSET if opened.appends else offset)

    def parts_shown_as(self, folder: int) -> PartsShown | None:
        try:
            self._calls.find_streams(self._folder(folder).path)
        except Win32Failure as failure:
            if failure.code in (win.INVALID_PARAMETER, win.INVALID_FUNCTION, win.NOT_SUPPORTED):
                return None
            raise failure.as_os_error() from failure
        return PartsShown.STREAMS

    def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
        path = self._folder(folder).path if name == b"." else self._path(name, folder)
        with _translated(name):
            streams = self._calls.find_streams(path)
        named = [(_stream_name(stream), size) for stream, size in streams]
        return [NamedPart(stream.encode("utf-8", "surrogatepass"), size) for stream, size in named if stream]

    def beginning_of_part(self, name: bytes, part: bytes, folder: int, shown_as: PartsShown, most: int) -> bytes:
        path = self._folder(folder).path if name == b"." else self._path(name, folder)
        stream = f"{path}:{_component(part)}"
        data = bytearray(most)
        with _translated(name):
            flags = win.FLAG_OPEN_REPARSE_POINT
            handle = self._calls.create_file(stream, win.GENERIC_READ, win.SHARE_ALL, win.OPEN_EXISTING, flags)
            try:
                return bytes(data[: self._calls.read_file(handle, memoryview(data), 0)])
            finally:
                self._calls.close_handle(handle)

    def truncate(self, handle: int, size: int) -> None:
        with _translated():
            self._calls.set_size(self._of(handle).handle, win.INFO_END_OF_FILE, size)

    def allocate(self, handle: int, size: int) -> None:
        opened = self._of(handle)
        with _translated():
            # an allocation smaller than the file would cut it off
            if size > self._calls.file_information(opened.handle).size:
                self._calls.set_size(opened.handle, win.INFO_ALLOCATION, size)

    def set_modified(self, handle: int, modified_ns: int) -> None:
        opened = self._of(handle)
        value = modified_ns // 100 + _EPOCH
        # 0 and all ones mean "leave as it is" to SetFileTime: an earlier date cannot be held at all
        if not 0 < value < 1 << 63:
            raise OSError(errno.EINVAL, "Windows cannot hold this date")
        with _translated():
            if opened.kind is not EntryKind.FOLDER:
                self._calls.set_file_time(opened.handle, value, value)
                return
            with self._again(opened.path, win.FILE_WRITE_ATTRIBUTES) as writable:
                self._calls.set_file_time(writable, value, value)

    @contextlib.contextmanager
    def _again(self, path: str, access: int) -> Iterator[int]:
        """A second, writable handle of a folder: the first one is read-only so that read-only media open too."""
        flags = win.FLAG_BACKUP_SEMANTICS | win.FLAG_OPEN_REPARSE_POINT
        handle = self._calls.create_file(path, access, win.SHARE_ALL, win.OPEN_EXISTING, flags)
        try:
            yield handle
        finally:
            self._calls.close_handle(handle)

    def flush(self, handle: int) -> None:
        """FlushFileBuffers. FAT-like file systems flush no single folder (invalid parameter), but their root, and with
        it the whole volume: that is done instead. EINVAL where a folder cannot be flushed either way; every other
        failure is final."""
        opened = self._of(handle)
        with _translated():
            if opened.kind is not EntryKind.FOLDER:
                self._calls.flush_file_buffers(opened.handle)
            elif not self._flushed(opened.path):
                root = _volume_root(opened.path)
                if root is None or not self._flushed(root):
                    raise OSError(errno.EINVAL, "this file system flushes no folder")

    def _flushed(self, path: str) -> bool:
        """Whether the file system knows how to flush this folder, and did."""
        try:
            with self._again(path, win.GENERIC_WRITE) as writable:
                self._calls.flush_file_buffers(writable)
        except Win32Failure as failure:
            if failure.code in _NO_FOLDER_FLUSH:
                return False
            raise
        return True

    def flush_volume(self, handle: int) -> None:
        raise OSError(errno.ENOSYS, "flushing a whole volume needs an administrator on Windows")

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        with _translated(new):
            self._calls.move_file(self._path(old, folder), self._path(new, folder), win.MOVE_WRITE_THROUGH)

    def rename_over(self, old: bytes, new: bytes, folder: int) -> None:
        flags = win.MOVE_WRITE_THROUGH | win.MOVE_REPLACE_EXISTING
        with _translated(new):
            self._calls.move_file(self._path(old, folder), self._path(new, folder), flags)

    def remove(self, name: bytes, folder: int) -> None:
        with _translated(name):
            self._calls.delete_file(self._path(name, folder))

    def close(self, handle: int) -> None:
        opened = self._of(handle)
        with self._guard:
            self._table.pop(handle, None)
        with _translated():
            try:
                if opened.lock is not None:
                    self._calls.close_handle(opened.lock)
            finally:
                self._calls.close_handle(opened.handle)

    # --- volumes and locks
    def free_bytes(self, handle: int) -> int:
        opened = self._of(handle)
        folder = opened.path if opened.kind is EntryKind.FOLDER else opened.path.rpartition("\\")[0]
        with _translated():
            return self._calls.disk_space(folder.rstrip("\\") + "\\")[0]

    def lock(self, folder: int) -> bool:
        """One opener at a time, by the share mode: it needs no second step in which two could believe they hold it,
        and servers keep it too. The file goes with its handle, after a crash as well."""
        opened = self._folder(folder)
        if opened.lock is not None:
            return True
        path = _below(opened.path, LOCK_NAME.decode())
        for _ in range(_LOCK_TRIES):
            try:
                opened.lock = self._exclusive(path)
            except Win32Failure as failure:
                if failure.code in (win.SHARING_VIOLATION, win.DELETE_PENDING):
                    return False
                if failure.code == win.FILE_NOT_FOUND:
                    continue  # its holder let go between our two looks
                raise failure.as_os_error(LOCK_NAME) from failure
            return True
        return False

    def _exclusive(self, path: str) -> int:
        """Open the lock file for us alone. A new one goes with its handle; one that a power cut left behind is used as
        it is and left there, for deleting what we did not make is not ours to do."""
        access = win.GENERIC_READ | win.GENERIC_WRITE
        try:
            flags = win.ATTRIBUTE_HIDDEN | win.FLAG_DELETE_ON_CLOSE
            return self._calls.create_file(path, access | win.DELETE, 0, win.CREATE_NEW, flags)
        except Win32Failure as failure:
            if failure.code != win.FILE_EXISTS:
                raise
        handle = self._calls.create_file(path, access, 0, win.OPEN_EXISTING, win.FLAG_OPEN_REPARSE_POINT)
        try:
            found = self._calls.file_information(handle)
            if _kind_of(found) is not EntryKind.FILE or found.size:
                raise OSError(errno.EEXIST, "something else stands under the name of the lock", LOCK_NAME)
        except BaseException:
            self._calls.close_handle(handle)
            raise
        return handle

    # --- the page cache
    def drop_pages(self, handle: int) -> None:
        raise OSError(errno.ENOSYS, "Windows offers no page eviction")

    def resident_pages(self, handle: int, size: int) -> int:
        self._of(handle)
        return -(-size // _PAGE_BYTES) if size > 0 else 0

    def bypasses_direct(self, handle: int) -> bool:
        """True for compressed and encrypted files, and for those so small that NTFS keeps them inside its table: their
        allocation is no multiple of a sector."""
        with _translated():
            found = self._calls.file_information(self._of(handle).handle)
        if found.attributes & (win.ATTRIBUTE_COMPRESSED | win.ATTRIBUTE_ENCRYPTED):
            return True
        return found.size > 0 and (found.allocation == 0 or found.allocation % _SECTOR_BYTES != 0)

    def kept_inside(self, handle: int) -> bool:
        return False  # `bypasses_direct` tells

    def open_device(self, node: str) -> int:
        with _translated(node.encode("utf-8", "surrogatepass")):
            handle = self._calls.create_file(node, win.GENERIC_READ, win.SHARE_ALL, win.OPEN_EXISTING, 0)
        return self._keep(_Open(handle, node, EntryKind.SPECIAL))

    def device_size(self, handle: int) -> int:
        with _translated():
            return self._calls.device_length(self._of(handle).handle)


def _volume_root(path: str) -> str | None:
    """`\\\\?\\Volume{…}\\` or `\\\\?\\X:\\` of a path; None for a share, whose root is not a volume's."""
    if path.startswith("\\\\?\\UNC\\"):
        return None
    volume = path[4:].partition("\\")[0]
    return f"\\\\?\\{volume}\\"
