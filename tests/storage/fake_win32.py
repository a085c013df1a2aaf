"""A Windows file system in memory, good enough for the rules `WindowsIo` leans on.

It keeps what makes Windows different: names without case, share modes, deletion that waits for the last handle,
reparse points that are followed unless asked not to, unbuffered transfers in whole sectors, folders that cannot be
flushed on FAT-like volumes. `log` lists the calls in order.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

from rollproof.storage import windows_calls as win
from rollproof.storage.windows_calls import FileInformation, FoundFile, VolumeInformation, Win32Failure

VOLUME = "\\\\?\\Volume{b0e11f0d-0000-4000-8000-000000000001}"
DRIVE = "D:"
START = 133_000_000_000_000_000
_WRITING = win.GENERIC_WRITE | win.FILE_ADD_FILE
_READING = win.GENERIC_READ | win.FILE_LIST_DIRECTORY


@dataclass(eq=False)
class Node:
    """A file, folder or reparse point."""

    attributes: int = 0
    tag: int = 0
    target: Node | None = None
    data: bytearray = field(default_factory=bytearray)
    streams: dict[str, bytearray] = field(default_factory=dict)
    children: dict[str, tuple[str, Node]] = field(default_factory=dict)
    modified: int = START
    allocation: int | None = None
    file_id: int = 0
    links: int = 1

    @property
    def is_folder(self) -> bool:
        return bool(self.attributes & win.ATTRIBUTE_DIRECTORY)


@dataclass(eq=False)
class Handle:
    """An open handle and where it was opened."""

    node: Node
    path: str
    access: int
    share: int
    flags: int
    folder: Node | None
    key: str


class FakeWin32:
    """`Win32Calls` over one volume, mounted at `D:`; `free` bytes are left, `root` is its top folder."""

    def __init__(self) -> None:
        self.root = Node(attributes=win.ATTRIBUTE_DIRECTORY, file_id=5)
        self.handles: dict[int, Handle] = {}
        self.log: list[tuple[object, ...]] = []
        self.free = 1 << 30
        self.read_only = False
        self.flushes_folders = self.flushes_root = True
        self.refuses_unbuffered = False
        self.has_volume_identity = True
        self.serial = 0x1234_5678_9ABC
        self.label = "BELLS"
        self.file_system = "exFAT"
        self.fail: dict[str, int] = {}
        self._numbers = itertools.count(101)

    # --- for tests: what happens behind our back
    def plant(self, path: str, node: Node) -> Node:
        """Put a node at a path relative to the top, `/`-separated, making folders on the way."""
        folder, _, name = path.rpartition("/")
        parent = self.root
        for part in folder.split("/") if folder else []:
            if part.upper() not in parent.children:
                parent.children[part.upper()] = (part, self._numbered(Node(attributes=win.ATTRIBUTE_DIRECTORY)))
            parent = parent.children[part.upper()][1]
        parent.children[name.upper()] = (name, self._numbered(node))
        return node

    def node_at(self, path: str) -> Node | None:
        """The node at a relative path, links not followed."""
        node = self.root
        for part in path.split("/"):
            found = node.children.get(part.upper())
            if found is None:
                return None
            node = found[1]
        return node

    def _numbered(self, node: Node) -> Node:
        node.file_id = next(self._numbers)
        return node

    # --- paths
    def _said(self, name: str, *details: object) -> None:
        self.log.append((name, *details))
        if name in self.fail:
            raise Win32Failure(self.fail[name], name)

    def _find(self, path: str, function: str) -> tuple[Node, str, str, Node | None]:
        """(folder, key, name, node) of a path; the node is None when the name is free."""
        assert path.startswith("\\\\?\\"), path
        path = path.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "surrogatepass")
        for volume in (VOLUME, "\\\\?\\" + DRIVE, "\\\\?\\UNC\\server\\share"):
            if path.upper().startswith(volume.upper()):
                rest = path[len(volume) :].strip("\\")
                break
        else:
            raise Win32Failure(win.PATH_NOT_FOUND, function)
        if not rest:
            return self.root, "", "", self.root
        parts = rest.split("\\")
        folder = self.root
        for part in parts[:-1]:
            found = folder.children.get(part.upper())
            if found is None or not found[1].is_folder:
                raise Win32Failure(win.PATH_NOT_FOUND, function)
            folder = self._followed(found[1])
        last = parts[-1]
        if not last or any(letter in '/*?"<>|:' or letter < " " for letter in last):
            raise Win32Failure(123, function)
        if len(last) > 255:
            raise Win32Failure(123, function)
        entry = folder.children.get(last.upper())
        return folder, last.upper(), last, entry[1] if entry else None

    @staticmethod
    def _followed(node: Node) -> Node:
        while node.tag and node.target is not None:
            node = node.target
        return node

    def _open_on(self, node: Node) -> Iterator[Handle]:
        return (handle for handle in list(self.handles.values()) if handle.node is node)

    def _check_sharing(self, node: Node, access: int, share: int, function: str) -> None:
        for other in self._open_on(node):
            for rights, flag in (
                (_READING, win.SHARE_READ),
                (_WRITING, win.SHARE_WRITE),
                (win.DELETE, win.SHARE_DELETE),
            ):
                if (access & rights and not other.share & flag) or (other.access & rights and not share & flag):
                    raise Win32Failure(win.SHARING_VIOLATION, function)

    def _handle(self, handle: int, function: str) -> Handle:
        if handle not in self.handles:
            raise Win32Failure(win.INVALID_HANDLE, function)
        return self.handles[handle]

    def _writable(self, function: str) -> None:
        if self.read_only:
            raise Win32Failure(win.WRITE_PROTECT, function)

    # --- Win32Calls
    def full_path(self, path: str) -> str:
        self._said("GetFullPathNameW", path)
        return path.replace("/", "\\")

    def final_path(self, handle: int, flags: int) -> str:
        self._said("GetFinalPathNameByHandleW", flags)
        opened = self._handle(handle, "GetFinalPathNameByHandleW")
        if flags == win.FILE_NAME_OPENED_GUID:
            if not self.has_volume_identity:
                raise Win32Failure(win.PATH_NOT_FOUND, "GetFinalPathNameByHandleW")
            return VOLUME + self._path_of(opened.node)
        if self.has_volume_identity:
            return f"\\\\?\\{DRIVE}" + self._path_of(opened.node)
        return "\\\\?\\UNC\\server\\share" + self._path_of(opened.node)

    def _path_of(self, node: Node) -> str:
        def below(folder: Node, path: str) -> str | None:
            if folder is node:
                return path or "\\"
            for name, child in folder.children.values():
                found = below(child, f"{path}\\{name}")
                if found is not None:
                    return found
            return None

        path = below(self.root, "")
        assert path is not None
        return path

    def create_file(self, path: str, access: int, share: int, disposition: int, flags: int) -> int:
        function = "CreateFileW"
        self._said(function, path, access, share, disposition, flags)
        above, _, last = path.rpartition("\\")
        last, _, stream = last.partition(":")
        folder, key, name, node = self._find(f"{above}\\{last}" if stream else path, function)
        if node is not None and stream:
            content = node.streams.get(stream)
            node = Node(data=content) if content is not None else None
        if node is not None and node.tag and not flags & win.FLAG_OPEN_REPARSE_POINT:
            node = self._followed(node)
        if node is None:
            if disposition == win.OPEN_EXISTING:
                raise Win32Failure(win.FILE_NOT_FOUND, function)
            self._writable(function)
            node = self._numbered(Node())
            folder.children[key] = (name, node)
        else:
            if disposition == win.CREATE_NEW:
                raise Win32Failure(win.FILE_EXISTS, function)
            if access & (_WRITING | win.DELETE):
                self._writable(function)
            if node.is_folder and not flags & win.FLAG_BACKUP_SEMANTICS:
                raise Win32Failure(win.ACCESS_DENIED, function)
            self._check_sharing(node, access, share, function)
        if flags & win.FLAG_NO_BUFFERING and self.refuses_unbuffered:
            if disposition == win.CREATE_NEW:
                del folder.children[key]
            raise Win32Failure(win.INVALID_PARAMETER, function)
        handle = next(self._numbers)  # one step for every thread
        self.handles[handle] = Handle(node, path, access, share, flags, folder if key else None, key)
        return handle

    def close_handle(self, handle: int) -> None:
        self._said("CloseHandle")
        opened = self._handle(handle, "CloseHandle")
        del self.handles[handle]
        if opened.flags & win.FLAG_DELETE_ON_CLOSE and opened.folder is not None:
            del opened.folder.children[opened.key]

    def _transfer(self, function: str, handle: int, right: int, size: int, offset: int) -> Handle:
        self._said(function, size, offset)
        opened = self._handle(handle, function)
        if not opened.access & right:
            raise Win32Failure(win.ACCESS_DENIED, function)
        if opened.node.is_folder:
            raise Win32Failure(win.INVALID_FUNCTION, function)
        if opened.flags & win.FLAG_NO_BUFFERING and (size % 512 or (offset != win.APPEND_OFFSET and offset % 512)):
            raise Win32Failure(win.INVALID_PARAMETER, function)
        return opened

    def read_file(self, handle: int, view: memoryview, offset: int) -> int:
        opened = self._transfer("ReadFile", handle, win.GENERIC_READ, len(view), offset)
        piece = opened.node.data[offset : offset + len(view)]
        view[: len(piece)] = bytes(piece)
        return len(piece)

    def write_file(self, handle: int, view: memoryview, offset: int) -> int:
        opened = self._transfer("WriteFile", handle, win.GENERIC_WRITE, len(view), offset)
        data = opened.node.data
        if offset == win.APPEND_OFFSET:
            offset = len(data)
        grown = max(0, offset + len(view) - len(data))
        if grown > self.free:
            raise Win32Failure(win.DISK_FULL, "WriteFile")
        self.free -= grown
        data.extend(bytes(max(0, offset - len(data))))
        data[offset : offset + len(view)] = view
        return len(view)

    def flush_file_buffers(self, handle: int) -> None:
        self._said("FlushFileBuffers", self._handle(handle, "FlushFileBuffers").path)
        opened = self._handle(handle, "FlushFileBuffers")
        if not opened.access & win.GENERIC_WRITE:
            raise Win32Failure(win.ACCESS_DENIED, "FlushFileBuffers")
        if opened.node.is_folder and not self.flushes_folders and not (opened.node is self.root and self.flushes_root):
            raise Win32Failure(win.INVALID_PARAMETER, "FlushFileBuffers")

    def set_size(self, handle: int, information_class: int, size: int) -> None:
        self._said("SetFileInformationByHandle", information_class, size)
        opened = self._handle(handle, "SetFileInformationByHandle")
        if not opened.access & win.GENERIC_WRITE:
            raise Win32Failure(win.ACCESS_DENIED, "SetFileInformationByHandle")
        data = opened.node.data
        if size - len(data) > self.free:
            raise Win32Failure(win.DISK_FULL, "SetFileInformationByHandle")
        if information_class == win.INFO_ALLOCATION:
            opened.node.allocation = size
            del data[size:]
        else:
            assert information_class == win.INFO_END_OF_FILE
            del data[size:]
            data.extend(bytes(size - len(data)))

    def set_file_time(self, handle: int, accessed: int, modified: int) -> None:
        self._said("SetFileTime", accessed, modified)
        opened = self._handle(handle, "SetFileTime")
        if not opened.access & (win.GENERIC_WRITE | win.FILE_WRITE_ATTRIBUTES):
            raise Win32Failure(win.ACCESS_DENIED, "SetFileTime")
        opened.node.modified = modified

    def file_information(self, handle: int) -> FileInformation:
        self._said("GetFileInformationByHandle")
        node = self._handle(handle, "GetFileInformationByHandle").node
        allocation = -(-len(node.data) // 4096) * 4096 if node.allocation is None else node.allocation
        return FileInformation(
            attributes=node.attributes | (win.ATTRIBUTE_REPARSE_POINT if node.tag else 0),
            reparse_tag=node.tag,
            modified=node.modified,
            volume_serial=self.serial,
            size=len(node.data),
            allocation=allocation,
            links=node.links,
            file_id=node.file_id,
        )

    def find_files(self, pattern: str) -> list[FoundFile]:
        self._said("FindFirstFileExW", pattern)
        assert pattern.endswith("\\*"), pattern
        *_, node = self._find(pattern[:-2], "FindFirstFileExW")
        if node is None:
            raise Win32Failure(win.PATH_NOT_FOUND, "FindFirstFileExW")
        dots = [] if node is self.root else [FoundFile(dot, win.ATTRIBUTE_DIRECTORY, 0) for dot in (".", "..")]
        entries = [
            FoundFile(name, child.attributes | (win.ATTRIBUTE_REPARSE_POINT if child.tag else 0), child.tag)
            for name, child in node.children.values()
        ]
        if not dots and not entries:
            raise Win32Failure(win.FILE_NOT_FOUND, "FindFirstFileExW")
        return dots + entries

    def find_streams(self, path: str) -> list[tuple[str, int]]:
        self._said("FindFirstStreamW", path)
        *_, node = self._find(path, "FindFirstStreamW")
        if node is None:
            raise Win32Failure(win.FILE_NOT_FOUND, "FindFirstStreamW")
        own = [] if node.is_folder else [("::$DATA", len(node.data))]
        return own + [(f":{name}:$DATA", len(content)) for name, content in node.streams.items()]

    def create_directory(self, path: str) -> None:
        self._said("CreateDirectoryW", path)
        folder, key, name, node = self._find(path, "CreateDirectoryW")
        if node is not None:
            raise Win32Failure(win.ALREADY_EXISTS, "CreateDirectoryW")
        self._writable("CreateDirectoryW")
        folder.children[key] = (name, self._numbered(Node(attributes=win.ATTRIBUTE_DIRECTORY)))

    def remove_directory(self, path: str) -> None:
        self._said("RemoveDirectoryW", path)
        folder, key, _, node = self._find(path, "RemoveDirectoryW")
        if node is None:
            raise Win32Failure(win.FILE_NOT_FOUND, "RemoveDirectoryW")
        if not node.is_folder:
            raise Win32Failure(267, "RemoveDirectoryW")
        if node.children:
            raise Win32Failure(win.DIR_NOT_EMPTY, "RemoveDirectoryW")
        self._writable("RemoveDirectoryW")
        self._check_sharing(node, win.DELETE, win.SHARE_ALL, "RemoveDirectoryW")
        del folder.children[key]

    def delete_file(self, path: str) -> None:
        self._said("DeleteFileW", path)
        folder, key, _, node = self._find(path, "DeleteFileW")
        if node is None:
            raise Win32Failure(win.FILE_NOT_FOUND, "DeleteFileW")
        if node.is_folder and not node.tag:
            raise Win32Failure(win.ACCESS_DENIED, "DeleteFileW")
        self._writable("DeleteFileW")
        self._check_sharing(node, win.DELETE, win.SHARE_ALL, "DeleteFileW")
        del folder.children[key]

    def move_file(self, old: str, new: str, flags: int) -> None:
        self._said("MoveFileExW", old, new, flags)
        old_folder, old_key, _, node = self._find(old, "MoveFileExW")
        new_folder, new_key, new_name, taken = self._find(new, "MoveFileExW")
        if node is None:
            raise Win32Failure(win.FILE_NOT_FOUND, "MoveFileExW")
        if taken is not None and taken is not node:
            if not flags & win.MOVE_REPLACE_EXISTING:
                raise Win32Failure(win.ALREADY_EXISTS, "MoveFileExW")
            if taken.is_folder:
                raise Win32Failure(win.ACCESS_DENIED, "MoveFileExW")
        self._writable("MoveFileExW")
        self._check_sharing(node, win.DELETE, win.SHARE_ALL, "MoveFileExW")
        del old_folder.children[old_key]
        new_folder.children[new_key] = (new_name, node)

    def disk_space(self, path: str) -> tuple[int, int]:
        self._said("GetDiskFreeSpaceExW", path)
        assert path.endswith("\\")
        return self.free, 1 << 40

    def volume_information(self, root: str) -> VolumeInformation:
        self._said("GetVolumeInformationW", root)
        assert root.endswith("\\")
        self._find(root, "GetVolumeInformationW")
        flags = win.VOLUME_IS_READ_ONLY if self.read_only else 0
        return VolumeInformation(self.label, self.file_system, flags)

    def device_length(self, handle: int) -> int:
        self._said("DeviceIoControl")
        return 1 << 40
