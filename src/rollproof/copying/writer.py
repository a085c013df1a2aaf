"""Writing one drive's copies: temporary name, flush, rename without replacing, flush of the folder.

Large files are written directly where the file system allows it, so that a failed write is reported by the write that
failed. Small files are written through the cache in groups, flushed together or at the same time, and only then get
their names. A flush that fails is final: what it should have covered is failed, removed, and never flushed again.
"""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from rollproof.copying.flushes import flush_all
from rollproof.copying.plan import Action, same_time
from rollproof.models.errors import DriveFault
from rollproof.models.findings import Finding
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Limits
from rollproof.reading.parcels import Segment
from rollproof.reading.settings import ALIGNMENT, Settings
from rollproof.reading.treereader import aligned
from rollproof.reading.turns import TURNS, Turn
from rollproof.storage.errors import write_trouble
from rollproof.storage.files import partial_name, write_all
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import Io

_LOST_AFTER_FILES = 8


@dataclass(frozen=True, slots=True)
class WriteWays:
    """How a drive's file system is best written. `volume_flush` only where syncfs is known to report errors."""

    direct: bool = True
    allocate: bool = False
    volume_flush: bool = False
    flushes_at_once: int = 1
    """Small files that are flushed at the same time where each is flushed alone."""
    own_blocks_up_to: int = 0
    """Files of at most so many bytes get blocks of their own before they are written: otherwise the file system may
    keep them among its own notes, where no read-back reaches the medium."""
    limits: Limits = field(default_factory=Limits)
    """What the file system can hold: how exact a modification time is."""


@dataclass(slots=True)
class _Pending:
    number: int
    folder: bytes
    temporary: bytes
    name: bytes
    handle: int = -1
    """Still open where each file is flushed alone."""


@dataclass(frozen=True, slots=True)
class WriterTarget:
    """One drive: the open roll folder `root`, and by file number what is done there with each of `files`."""

    drive: str
    root: int
    files: Sequence[FileEntry]
    actions: bytes
    ways: WriteWays


@dataclass(frozen=True, slots=True)
class WriterTold:
    """Whom it tells what. `on_written(number)` comes once a file is flushed under its final name (for REPLACE: flushed
    under its temporary name); `on_fault(number, finding)` when one file cannot be written. `busy()` is called, from any
    thread, as each of many calls on the drive begins or comes back: a slow drive is not a silent one."""

    on_written: Callable[[int], None]
    on_fault: Callable[[int, Finding], None]
    busy: Callable[[], None] = lambda: None


class CopyWriter:
    """Takes segments in order and makes files of them. For one thread.

    A `turn` that its thread may have is left while the drive flushes. Anything that concerns the whole drive is raised
    as `DriveFault`.
    """

    def __init__(
        self, io: Io, target: WriterTarget, settings: Settings, told: WriterTold, turn: Turn | None = None
    ) -> None:
        root, ways = target.root, target.ways
        self._io = io
        self._root = root
        self._files = target.files
        self._actions = target.actions
        self._ways = ways
        self._settings = settings
        self._drive = target.drive
        self._on_written = told.on_written
        self._on_fault = told.on_fault
        self._busy = told.busy
        self._together = min(settings.flush_open_files, io.open_together)
        self._turn = turn if turn is not None else TURNS.turn()
        self._folders = FolderHandles(io, root, create=True)
        # opened before the first write: syncfs tells errors only to a handle that was
        self._volume = io.open_folder(b".", root) if ways.volume_flush else -1
        self._pending: list[_Pending] = []
        self._pending_bytes = 0
        self._large = -1
        self._large_number = -1
        self._large_direct = False
        self._unflushed_bytes = 0
        self._skip = -1
        self._faults_in_a_row = 0

    def wants(self, number: int) -> bool:
        """Whether this drive gets this file written."""
        return self._actions[number] in (Action.COPY, Action.REPLACE)

    def take(self, segment: Segment, view: memoryview) -> int:
        """Write one segment; returns the bytes written for this drive (0 when the file is not for it)."""
        number = segment.file
        if not self.wants(number) or number == self._skip:
            return 0
        if segment.fault is not None:
            self._abandon_large()
            self._skip = number
            return 0
        try:
            if segment.last and segment.offset == 0 and segment.length <= self._settings.small_file_bytes:
                self._write_small(segment, view)
            else:
                self._write_piece(segment, view)
        except OSError as error:
            self._abandon_large()
            trouble = write_trouble(error, self._drive, self._files[number].path, "writing")
            if isinstance(trouble, DriveFault):
                raise trouble from error
            self._fault(number, trouble.finding)
            self._skip = number
        return segment.length

    def finish(self, empty_folders: Sequence[bytes]) -> None:
        """Flush what is pending and what was found there, make empty folders, flush every folder that was touched."""
        self._flush_pending()
        where = b""
        try:
            where = self._flush_found() or b""
            for folder in empty_folders:
                where = folder
                self._busy()
                self._folders.handle(folder)
            # from the top down: each is then one step from a folder that is still open
            for folder in sorted(self._folders.touched):
                where = folder
                self._busy()
                self._flush_folder(folder)
        except OSError as error:
            trouble = write_trouble(error, self._drive, where or b"the roll folder", "flushing the folder")
            raise DriveFault(trouble.finding) from error

    def begin_again(self) -> None:
        """What comes next are whole files from elsewhere, perhaps much later: a large file in hand is removed, small
        ones get their names, and none is passed over for what happened to it before. Raises DriveFault."""
        self._abandon_large()
        self._flush_pending()
        self._skip = -1

    def close(self) -> None:
        """Let go of everything; unfinished files are removed where the drive still answers."""
        self._abandon_large()
        self._drop_pending()
        self._folders.close()
        if self._volume >= 0:
            with contextlib.suppress(OSError):
                self._io.close(self._volume)
            self._volume = -1

    def _flush_found(self) -> bytes | None:
        """Flush the files that stood there already, and note their folders: an earlier run may have ended between
        the name and the flush of its folder, and somebody else may never have flushed anything."""
        found = [number for number, action in enumerate(self._actions) if action == Action.HASH]
        last: bytes | None = None
        for number in found:
            folder = self._files[number].path.rpartition(b"/")[0]
            if folder != last:
                last = folder
                self._busy()
                self._folders.handle(folder)
        if self._ways.volume_flush:
            if found:
                self._io.flush_volume(self._volume)
            return last
        for first in range(0, len(found), self._together):
            self._flush_some(found[first : first + self._together])
        return last

    def _flush_some(self, numbers: Sequence[int]) -> None:
        raised: list[BaseException | None] = []
        with contextlib.ExitStack() as opened:
            handles: list[int] = []
            for number in numbers:
                self._busy()
                folder, _, name = self._files[number].path.rpartition(b"/")
                with contextlib.suppress(FileNotFoundError):  # its read-back says so
                    handles.append(self._io.open_read(name, self._folders.handle(folder), direct=False))
                    opened.callback(self._io.close, handles[-1])
            raised = flush_all(self._io, handles, self._ways.flushes_at_once, self._busy)
        for error in raised:
            # (some systems flush only what is open for writing)
            if error is not None and not (isinstance(error, OSError) and error.errno in (errno.EBADF, errno.EINVAL)):
                raise error

    # --- small files

    def _write_small(self, segment: Segment, view: memoryview) -> None:
        entry = self._files[segment.file]
        folder, _, name = entry.path.rpartition(b"/")
        temporary = partial_name(name)
        parent = self._folders.handle(folder)
        handle = self._create(temporary, parent, direct=False)
        try:
            if 0 < entry.size <= self._ways.own_blocks_up_to:
                self._give_blocks(handle, entry.size)
            write_all(self._io, handle, view[segment.start : segment.start + segment.length], 0)
            self._finish_content(handle, entry, temporary, parent)
            if self._ways.volume_flush:
                closing, handle = handle, -1
                self._io.close(closing)
        except OSError:
            if handle >= 0:
                with contextlib.suppress(OSError):
                    self._io.close(handle)
            self._remove(temporary, parent)
            raise
        self._pending.append(_Pending(segment.file, folder, temporary, name, handle))
        self._pending_bytes += entry.size
        settings = self._settings
        files, size = settings.flush_files, settings.flush_bytes
        if not self._ways.volume_flush:
            files, size = self._together, settings.flush_large_bytes
        if len(self._pending) >= files or self._pending_bytes >= size:
            self._flush_pending()

    def _flush_pending(self) -> None:
        if not self._pending:
            return
        if self._ways.volume_flush:
            self._flush_volume()
            raised: list[BaseException | None] = [None] * len(self._pending)
        else:
            raised = self._flush_each()
        pending, self._pending, self._pending_bytes = self._pending, [], 0
        for at, (item, error) in enumerate(zip(pending, raised, strict=True)):
            self._busy()
            try:
                if error is not None:
                    self._remove(item.temporary, self._folders.handle(item.folder))
                    raise error
                self._give_name(item)
            except BaseException as problem:
                self._pending = pending[at + 1 :]  # dropped, should this concern the whole drive
                if not isinstance(problem, OSError):
                    raise
                doing = "naming" if error is None else "writing"
                trouble = write_trouble(problem, self._drive, self._files[item.number].path, doing)
                if isinstance(trouble, DriveFault):
                    self._drop_pending()
                    raise trouble from problem
                self._fault(item.number, trouble.finding)
                self._pending = []

    def _flush_volume(self) -> None:
        try:
            with self._turn.out():
                self._io.flush_volume(self._volume)
        except OSError as error:
            trouble = write_trouble(error, self._drive, self._files[self._pending[0].number].path, "flushing")
            self._drop_pending()
            raise DriveFault(trouble.finding) from error

    def _flush_each(self) -> list[BaseException | None]:
        """Flush and close every pending file; what was raised for each."""
        with self._turn.out():
            handles = [item.handle for item in self._pending]
            raised = flush_all(self._io, handles, self._ways.flushes_at_once, self._busy)
        for place, item in enumerate(self._pending):
            self._busy()
            closing, item.handle = item.handle, -1
            try:
                self._io.close(closing)
            except OSError as error:
                raised[place] = raised[place] or error
        return raised

    def _give_name(self, item: _Pending) -> None:
        if self._actions[item.number] == Action.COPY:
            parent = self._folders.handle(item.folder)
            try:
                self._io.rename_no_replace(item.temporary, item.name, parent)
            except OSError:
                self._remove(item.temporary, parent)
                raise
        self._faults_in_a_row = 0
        self._on_written(item.number)

    def _drop_pending(self) -> None:
        pending, self._pending, self._pending_bytes = self._pending, [], 0
        for item in pending:
            if item.handle >= 0:
                with contextlib.suppress(OSError):
                    self._io.close(item.handle)
            with contextlib.suppress(OSError):
                self._remove(item.temporary, self._folders.handle(item.folder))

    # --- large files

    def _write_piece(self, segment: Segment, view: memoryview) -> None:
        entry = self._files[segment.file]
        folder, _, name = entry.path.rpartition(b"/")
        if segment.offset == 0:
            self._begin_large(segment.file, entry, self._folders.handle(folder), partial_name(name))
        if self._large_number != segment.file:
            raise OSError(errno.EIO, "a piece of a file that was not begun")
        self._write_large(entry, view[segment.start : segment.start + segment.length], view, segment)
        if not segment.last:
            return
        if self._large_direct and entry.size % ALIGNMENT:
            self._io.truncate(self._large, entry.size)
        self._finish_content(self._large, entry, partial_name(name), self._folders.handle(folder))
        self._io.flush(self._large)
        closing, self._large = self._large, -1
        self._io.close(closing)
        self._large_number = -1
        self._give_name(_Pending(segment.file, folder, partial_name(name), name))

    def _begin_large(self, number: int, entry: FileEntry, parent: int, temporary: bytes) -> None:
        self._large_direct = self._ways.direct
        try:
            self._large = self._create(temporary, parent, direct=self._large_direct)
        except OSError as error:
            if error.errno != errno.EINVAL or not self._large_direct:
                raise
            self._large_direct = False
            self._remove(temporary, parent)  # some systems create the file before they refuse the flag
            self._large = self._create(temporary, parent, direct=False)
        self._large_number = number
        self._unflushed_bytes = 0
        if self._ways.allocate:
            self._give_blocks(self._large, entry.size)

    def _write_large(self, entry: FileEntry, piece: memoryview, view: memoryview, segment: Segment) -> None:
        if not self._large_direct:
            write_all(self._io, self._large, piece, segment.offset)
            self._unflushed_bytes += segment.length
            if self._unflushed_bytes >= self._settings.flush_large_bytes:
                self._unflushed_bytes = 0
                self._io.flush(self._large)
            return
        # whole sectors only: the surplus of the last one is cut off by truncate before the file is flushed
        whole = view[segment.start : segment.start + aligned(segment.length)]
        done = 0
        while done < len(whole):
            try:
                count = self._io.write_from(self._large, whole[done:], segment.offset + done)
            except OSError as error:
                if error.errno != errno.EINVAL or segment.offset + done > 0:
                    raise
                self._begin_again_buffered(entry)
                write_all(self._io, self._large, piece, 0)
                return
            if count <= 0:
                raise OSError(errno.ENOSPC, "the drive took no more bytes")
            done += count
            done -= done % ALIGNMENT if done < len(whole) else 0
            if count < ALIGNMENT and done < len(whole):
                raise OSError(errno.EIO, "the drive takes less than a sector at a time")

    def _begin_again_buffered(self, entry: FileEntry) -> None:
        """The file system opened the file directly and then would not take its first block so."""
        folder, _, name = entry.path.rpartition(b"/")
        parent = self._folders.handle(folder)
        closing, self._large = self._large, -1
        self._io.close(closing)
        self._io.remove(partial_name(name), parent)
        self._large = self._create(partial_name(name), parent, direct=False)
        self._large_direct = False

    def _abandon_large(self) -> None:
        if self._large_number < 0:
            return
        number, self._large_number = self._large_number, -1
        handle, self._large = self._large, -1
        if handle >= 0:
            with contextlib.suppress(OSError):
                self._io.close(handle)
        folder, _, name = self._files[number].path.rpartition(b"/")
        with contextlib.suppress(OSError):
            self._remove(partial_name(name), self._folders.handle(folder))

    # --- shared

    def _create(self, temporary: bytes, parent: int, *, direct: bool) -> int:
        try:
            return self._io.create(temporary, parent, direct=direct)
        except FileExistsError:
            self._io.remove(temporary, parent)  # left by a run that was interrupted: never more than unfinished
            return self._io.create(temporary, parent, direct=direct)

    def _give_blocks(self, handle: int, size: int) -> None:
        try:
            self._io.allocate(handle, size)
        except OSError as error:
            if error.errno not in (errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL):
                raise

    def _finish_content(self, handle: int, entry: FileEntry, temporary: bytes, parent: int) -> None:
        self._io.set_modified(handle, entry.modified_ns)
        written = self._io.fstat(handle)
        if written.size != entry.size:
            raise OSError(errno.EIO, "the copy is not as long as its source")
        if not same_time(written.modified_ns, entry.modified_ns, self._ways.limits):
            raise OSError(errno.EIO, "the drive did not keep the modification time")
        there = self._io.stat(temporary, parent)
        if (there.device, there.inode) != (written.device, written.inode):
            # where a file system has no locks, another station may be at work on this very roll
            raise OSError(errno.EEXIST, "somebody else put a file in the place of the unfinished one")

    def _remove(self, name: bytes, parent: int) -> None:
        with contextlib.suppress(OSError):
            self._io.remove(name, parent)

    def _flush_folder(self, folder: bytes) -> None:
        try:
            self._io.flush(self._folders.handle(folder))
        except OSError as error:
            if error.errno != errno.EINVAL:  # folders that cannot be flushed say EINVAL (squashfs and the like)
                raise

    def _fault(self, number: int, finding: Finding) -> None:
        self._on_fault(number, finding)
        self._faults_in_a_row += 1
        if self._faults_in_a_row >= _LOST_AFTER_FILES:
            raise DriveFault(finding)
