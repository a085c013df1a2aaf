"""System calls with one thing wrong, for the engine's own tests."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from rollproof.storage.posix import LinuxIo

Hook = Callable[[str, bytes, tuple[Any, ...]], Any]


class HookedIo(LinuxIo):
    """Real calls, each offered to `hook(operation, name, arguments)` first: what it returns other than None is
    returned instead of calling; what it raises is raised. `name` is the file's name for calls on its handle."""

    def __init__(self, hook: Hook) -> None:
        super().__init__()
        self._hook = hook
        self._names: dict[int, bytes] = {}
        self._lock = threading.Lock()

    def _remember(self, handle: int, name: bytes) -> int:
        with self._lock:
            self._names[handle] = name
        return handle

    def close(self, handle: int) -> None:
        with self._lock:
            self._names.pop(handle, None)  # the number is used again, by files of other names
        super().close(handle)

    def name_of(self, handle: int) -> bytes:
        """The name under which a handle was opened."""
        return self._names.get(handle, b"")

    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        self._hook("open_read", name, (direct,))
        return self._remember(super().open_read(name, folder, direct=direct), name)

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        self._hook("create", name, (direct,))
        return self._remember(super().create(name, folder, direct=direct), name)

    def open_append(self, name: bytes, folder: int, *, create: bool) -> int:
        return self._remember(super().open_append(name, folder, create=create), name)

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        answer = self._hook("read", self.name_of(handle), (handle, view, offset))
        return answer if answer is not None else super().read_into(handle, view, offset)

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        answer = self._hook("write", self.name_of(handle), (handle, view, offset))
        return answer if answer is not None else super().write_from(handle, view, offset)

    def flush(self, handle: int) -> None:
        if self._hook("flush", self.name_of(handle), (handle,)) is None:
            super().flush(handle)

    def flush_volume(self, handle: int) -> None:
        self._hook("flush_volume", b"", (handle,))
        super().flush_volume(handle)

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        if self._hook("rename", new, (old, folder)) is None:
            super().rename_no_replace(old, new, folder)
