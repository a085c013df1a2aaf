"""The grounds on which the contract of `Io` is tested: a real folder, and the fakes of the other systems."""

from __future__ import annotations

import os
import socket
from pathlib import Path

from rollproof.storage import windows_calls as win
from rollproof.storage.io import Io
from rollproof.storage.windows import WindowsIo
from storage.fake_win32 import FakeWin32, Node


class RealGround:
    """A folder of this machine; `special` is `fifo` or `socket`."""

    def __init__(self, io: Io, folder: Path, special: str = "fifo") -> None:
        self.io = io
        self._folder = folder / "ground"
        self._folder.mkdir()
        self._special = special
        self.root = os.fsencode(self._folder)

    def put_file(self, name: str, data: bytes) -> None:
        path = self._folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)

    def put_link(self, name: str, target: str) -> None:
        (self._folder / name).symlink_to(target)

    def put_special(self, name: str) -> None:
        if self._special == "fifo":
            os.mkfifo(self._folder / name)
            return
        here = os.open(self._folder, os.O_RDONLY)
        try:
            with socket.socket(socket.AF_UNIX) as made:
                made.bind(f"/proc/self/fd/{here}/{name}")  # the real path may be longer than a socket's may be
        finally:
            os.close(here)

    def put_link_to_root(self) -> bytes:
        link = self._folder.parent / "link-to-root"
        link.symlink_to(self._folder)
        return os.fsencode(link)

    def content(self, name: str) -> bytes | None:
        path = self._folder / name
        return path.read_bytes() if path.exists() else None


class FakeWindowsGround:
    """The folder `D:\\ground` of a Windows in memory."""

    def __init__(self) -> None:
        self.windows = FakeWin32()
        self.io: Io = WindowsIo(self.windows)
        self.root = b"D:/ground"
        self.windows.plant("ground", Node(attributes=win.ATTRIBUTE_DIRECTORY))

    def put_file(self, name: str, data: bytes) -> None:
        self.windows.plant(f"ground/{name}", Node(data=bytearray(data)))

    def put_link(self, name: str, target: str) -> None:
        found = self.windows.node_at(f"ground/{target}")
        attributes = win.ATTRIBUTE_DIRECTORY if found is not None and found.is_folder else 0
        tag = win.TAG_MOUNT_POINT if attributes else win.TAG_SYMLINK
        self.windows.plant(f"ground/{name}", Node(attributes=attributes, tag=tag, target=found))

    def put_special(self, name: str) -> None:
        self.windows.plant(f"ground/{name}", Node(tag=0x9000001A))  # a placeholder for a file kept elsewhere

    def put_link_to_root(self) -> bytes:
        ground = self.windows.node_at("ground")
        self.windows.plant("link", Node(attributes=win.ATTRIBUTE_DIRECTORY, tag=win.TAG_MOUNT_POINT, target=ground))
        return b"D:/link"

    def content(self, name: str) -> bytes | None:
        found = self.windows.node_at(f"ground/{name}")
        return None if found is None else bytes(found.data)
