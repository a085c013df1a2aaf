"""Copies that an earlier run found suspect: the fresh one is made beside, and the suspect goes once that is proven."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Sequence

from rollproof.copying.plan import Action
from rollproof.models.findings import Kind, error
from rollproof.models.names import shown
from rollproof.models.tree import FileEntry
from rollproof.proof.board import ProofBoard
from rollproof.storage.files import flush_folder, partial_name
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import Io


class SuspectCopies:
    """The suspects of one drive, and where the copies stand meanwhile."""

    def __init__(self, io: Io, drive: str, files: Sequence[FileEntry], actions: bytes, board: ProofBoard) -> None:
        self._io = io
        self._drive = drive
        self._files = files
        self._actions = actions
        self._board = board
        self._in_place: set[int] = set()

    def stands_at(self, number: int) -> bytes:
        """The path of a copy on the drive right now. It may get its final name the next moment: others who read it
        ask again when it is not there."""
        path = self._files[number].path
        if self._actions[number] != Action.REPLACE or number in self._in_place:
            return path
        folder, slash, name = path.rpartition(b"/")
        return folder + slash + partial_name(name)

    def replace(self, root: int) -> None:
        """Proven fresh copies get their final names; the others are removed, and the suspect is told. OSError when the
        drive does not take that."""
        numbers = [number for number, action in enumerate(self._actions) if action == Action.REPLACE]
        if not numbers:
            return
        folders = FolderHandles(self._io, root, create=True)
        try:
            for number in numbers:
                folder, _, name = self._files[number].path.rpartition(b"/")
                parent = folders.handle(folder)
                if self._board.is_proven(self._drive, number):
                    self._put_in_place(name, parent)
                    self._in_place.add(number)
                    continue
                path = shown(self._files[number].path)
                self._board.copy_fault(
                    self._drive,
                    number,
                    error(
                        Kind.SUSPECT_KEPT,
                        f"{path} on the drive is still the suspect copy: the fresh one could not be proven",
                        path=path,
                        drive=self._drive,
                        remedy=f"{self._board.words.keep}; {self._board.words.again}, run the same command again",
                    ),
                )
                with contextlib.suppress(FileNotFoundError):  # what could not be had has no fresh copy
                    self._io.remove(partial_name(name), parent)
        finally:
            folders.close()

    def _put_in_place(self, name: bytes, parent: int) -> None:
        fresh = self._io.stat(partial_name(name), parent)
        self._io.remove(name, parent)
        self._io.rename_no_replace(partial_name(name), name, parent)
        flush_folder(self._io, parent)
        # the copy was read back under its unfinished name: look that the final one leads to that very file
        there = self._io.stat(name, parent)
        if (there.size, there.inode) != (fresh.size, fresh.inode):
            raise OSError(errno.EIO, "the fresh copy did not get its final name", name)
