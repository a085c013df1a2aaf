"""Reading the files of one tree into parcels: whole small files together, large ones block by block.

Every file is opened through folder handles, never by path; read directly where the file system allows it; checked
against what was scanned (size and modification time) when its last byte has been read.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from rollproof.models.findings import Finding, Kind, Severity, error
from rollproof.models.names import shown
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence
from rollproof.reading.buffers import Buffer
from rollproof.reading.open_tree import OpenTree
from rollproof.reading.parcels import Fill, Segment
from rollproof.reading.settings import ALIGNMENT, Settings
from rollproof.reading.turns import TURNS, Turn
from rollproof.storage.errors import MORE_FILES, is_gone, is_too_many_files, said
from rollproof.storage.folders import FolderHandles
from rollproof.storage.io import Io

_NOTHING_READ_YET = 4  # times as many files may fail as long as none was read: there is nothing to try again
_PROBE_BYTES = 64 << 10  # how finely a bad block is looked at, to name the byte range


def aligned(size: int) -> int:
    """The size rounded up to whole sectors."""
    return -(-size // ALIGNMENT) * ALIGNMENT


class TreeLost(Exception):
    """The tree's device is gone: nothing more can be read from it."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.detail)
        self.finding = finding


class _Open:
    """One open file and what reading it is worth."""

    __slots__ = ("direct", "evidence", "handle", "retired")

    def __init__(self, handle: int, direct: bool, evidence: Evidence) -> None:
        self.handle = handle
        # a handle that was replaced stays open to the end: another worker may be reading through it
        self.retired: list[int] = []
        self.direct = direct
        self.evidence = evidence


class _Large:
    """A file that several workers read at once: opened by the first, closed after the last block."""

    __slots__ = ("fault", "left", "lock", "open")

    def __init__(self, blocks: int) -> None:
        self.lock = threading.Lock()
        self.left = blocks
        self.open: _Open | None = None
        self.fault: Finding | None = None


@dataclass(slots=True)
class _Small:
    """A file that travels with others: its segment, and the view that it is read into."""

    segment: Segment
    entry: FileEntry
    view: memoryview
    open: _Open | None = None
    error: OSError | None = None

    @property
    def handle(self) -> int:
        assert self.open is not None
        return self.open.handle

    @property
    def wanted(self) -> memoryview:
        """Where its bytes go: whole sectors, where it is read directly."""
        assert self.open is not None
        return self.view if self.open.direct else self.view[: self.entry.size]


class TreeReader:
    """Fills buffers with the files of one tree."""

    def __init__(self, io: Io, tree: OpenTree, settings: Settings) -> None:
        self._io = io
        self._root = tree.root
        self._files = tree.files
        self._access = tree.access
        self._settings = settings
        self._drive = tree.drive
        self._words = tree.words
        self._same_time = tree.same_time
        self._where = tree.where
        self._at_once = min(tree.access.at_once, io.reads_at_once)
        self._local = threading.local()
        self._failed_in_a_row = 0
        self._read_well = -1
        self._count_lock = threading.Lock()
        self._handles: list[FolderHandles] = []

    def begin_pass(self) -> None:
        """Make the volume ready for a pass that is to count; see `MediumAccess.begin_pass`."""
        self._access.begin_pass()

    def jobs(self, numbers: Iterable[int]) -> Iterator[Fill]:
        """The jobs that read these files, in this order."""
        block = self._settings.block_bytes
        small = min(self._settings.small_file_bytes, block)
        together = min(max(self._settings.gathered_bytes, aligned(small)), block)
        gathered: list[tuple[int, FileEntry]] = []
        room = together
        for number in numbers:
            entry = self._files[number]
            size = entry.size
            if size > small:
                if gathered:
                    yield self._small_job(gathered)
                    gathered, room = [], together
                yield from self._large_jobs(number, size)
                continue
            need = max(aligned(size), ALIGNMENT)
            if need > room:
                yield self._small_job(gathered)
                gathered, room = [], together
            gathered.append((number, entry))
            room -= need
        if gathered:
            yield self._small_job(gathered)

    def close(self) -> None:
        """Close the folder handles of all workers; call when they have ended."""
        for handles in self._handles:
            handles.close()

    # --- jobs

    def _small_job(self, gathered: list[tuple[int, FileEntry]]) -> Fill:
        def fill(buffer: Buffer) -> list[Segment]:
            segments: list[Segment] = []
            start = 0
            together: list[_Small] = []
            for number, entry in gathered:
                room = max(aligned(entry.size), ALIGNMENT)
                segment = Segment(number, start, entry.size, 0, True)
                together.append(_Small(segment, entry, buffer.view[start : start + room]))
                segments.append(segment)
                start += room
                if len(together) >= self._at_once:
                    self._read_small(together)
                    together = []
            self._read_small(together)
            return segments

        return fill

    def _large_jobs(self, number: int, size: int) -> Iterator[Fill]:
        block = self._settings.block_bytes
        shared = _Large(-(-size // block))
        for offset in range(0, size, block):

            def fill(buffer: Buffer, offset: int = offset) -> list[Segment]:
                return self._read_block(number, shared, buffer, offset, min(block, size - offset))

            yield fill

    def _read_small(self, together: list[_Small]) -> None:
        """Read whole files, all at once where there are several; each segment gets its evidence, or its fault."""
        try:
            if len(together) > 1:
                # one worker opens and checks small files while another waits for those it handed over
                turn = self._turn()
                with turn:
                    self._read_together(together, turn)
                return
            for small in together:
                self._open_small(small)
                self._finish_small(small, 0)
        finally:
            for small in together:
                self._close_small(small)

    def _read_together(self, together: list[_Small], turn: Turn) -> None:
        for small in together:
            self._open_small(small)
            if small.error is not None and is_gone(small.error):
                break
        opened = [small for small in together if small.open is not None and small.entry.size]
        with turn.out():
            counts = self._io.read_many([(small.handle, small.wanted) for small in opened])
        came = dict(zip((small.segment.file for small in opened), counts, strict=True))
        # in the order of the files: how many fail in a row tells whether the device is gone
        for small in together:
            whole = came.get(small.segment.file, 0)
            if small.open is not None and whole >= small.entry.size:
                self._finish_small(small, whole)
            else:  # a device in trouble takes its time: nobody waits for a turn meanwhile
                with turn.out():
                    self._finish_small(small, 0)

    def _turn(self) -> Turn:
        turn: Turn | None = getattr(self._local, "turn", None)
        if turn is None:
            turn = self._local.turn = TURNS.turn()
        return turn

    def _open_small(self, small: _Small) -> None:
        try:
            small.open = self._open(small.segment.file, small.entry)
        except OSError as error:
            small.error = error

    def _finish_small(self, small: _Small, came: int) -> None:
        """Check a file of which `came` bytes were read already. What did not come whole is read anew, alone."""
        segment, entry, opened = small.segment, small.entry, small.open
        if opened is None:
            assert small.error is not None
            segment.fault = self._unreadable(segment.file, 0, entry.size, small.error)
            return
        if came < entry.size:
            segment.fault = self._read_exactly(segment.file, opened, small.view, 0, entry.size)
        segment.fault = segment.fault or self._unchanged(segment.file, entry, opened)
        segment.evidence = opened.evidence
        if segment.fault is None:
            self._went_well(segment.file, entry)

    def _close_small(self, small: _Small) -> None:
        if small.open is not None:
            closing, small.open = small.open, None
            self._close(closing)

    def _read_block(self, number: int, shared: _Large, buffer: Buffer, offset: int, length: int) -> list[Segment]:
        entry = self._files[number]
        last = offset + length == entry.size
        segment = Segment(number, 0, length, offset, last)
        with shared.lock:
            if shared.fault is None and shared.open is None:
                try:
                    shared.open = self._open(number, entry)
                except OSError as error:
                    shared.fault = self._unreadable(number, offset, length, error)
                    segment.fault = shared.fault
            elif shared.fault is not None:
                segment.fault = shared.fault
            opened = shared.open
        if segment.fault is None and opened is not None:
            segment.fault = self._read_exactly(number, opened, buffer.view, offset, length)
            segment.evidence = opened.evidence
            if segment.fault is None and last:
                segment.fault = self._unchanged(number, entry, opened)
            if segment.fault is None:
                self._went_well(number, entry)
        with shared.lock:
            if segment.fault is not None and shared.fault is None:
                shared.fault = segment.fault
            shared.left -= 1
            if shared.left == 0 and shared.open is not None:
                closing, shared.open = shared.open, None
                self._close(closing)
        return [segment]

    # --- one file

    def _folders(self) -> FolderHandles:
        handles: FolderHandles | None = getattr(self._local, "handles", None)
        if handles is None:
            handles = self._local.handles = FolderHandles(self._io, self._root)
            self._handles.append(handles)
        return handles

    def _place(self, number: int) -> bytes:
        """The path under which a file stands right now."""
        return self._files[number].path if self._where is None else self._where(number)

    def _open(self, number: int, entry: FileEntry) -> _Open:
        where = entry.path if self._where is None else self._where(number)
        folder, _, name = where.rpartition(b"/")
        parent = self._folders().handle(folder)
        handle, direct = -1, False
        if self._access.wants_direct:
            try:
                handle, direct = self._io.open_read(name, parent, direct=True), True
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
        if handle < 0:
            handle = self._io.open_read(name, parent, direct=False)
        return _Open(handle, direct, self._access.evidence(handle, entry.size, direct=direct))

    def _read_exactly(self, number: int, opened: _Open, view: memoryview, offset: int, length: int) -> Finding | None:
        for attempt in range(self._settings.read_retries):
            try:
                got = self._fill(number, opened, view, offset, length)
            except OSError as error:
                if is_gone(error) or attempt + 1 == self._settings.read_retries:
                    first, end = self._bad_range(opened, view, offset, length)
                    return self._unreadable(number, first, end - first, error)
                continue
            if got < length:
                return self._changed(number, f"it is shorter than when {self._words.name} was scanned")
            return None
        return None

    def _fill(self, number: int, opened: _Open, view: memoryview, offset: int, length: int) -> int:
        """Read `length` bytes at `offset`; fewer only at the end of the file."""
        done = 0
        want = min(aligned(length), len(view)) if opened.direct else length
        while done < length:
            try:
                count = self._io.read_into(opened.handle, view[done:want], offset + done)
            except OSError as error:
                if error.errno == errno.EINVAL and opened.direct:
                    # the file system opened it directly and then would not read it so
                    self._reopen_buffered(number, opened)
                    want = length
                    continue
                raise
            if count == 0:
                break
            done += count
            if opened.direct and done < length and done % ALIGNMENT:
                done -= done % ALIGNMENT  # a short direct read: go on from the last whole sector
                if count < ALIGNMENT:
                    self._reopen_buffered(number, opened)
                    want = length
        return min(done, length)

    def _reopen_buffered(self, number: int, opened: _Open) -> None:
        folder, _, name = self._place(number).rpartition(b"/")
        handle = self._io.open_read(name, self._folders().handle(folder), direct=False)
        opened.retired.append(opened.handle)
        opened.handle = handle
        opened.direct = False
        opened.evidence = Evidence.CACHE

    def _close(self, opened: _Open) -> None:
        for handle in (opened.handle, *opened.retired):
            with contextlib.suppress(OSError):
                self._io.close(handle)

    def _bad_range(self, opened: _Open, view: memoryview, offset: int, length: int) -> tuple[int, int]:
        """First and end byte of what cannot be read within a block, to 64 KiB."""
        first, end = -1, -1
        for start in range(0, length, _PROBE_BYTES):
            size = min(_PROBE_BYTES, length - start)
            try:
                self._io.read_into(opened.handle, view[: aligned(size)], offset + start)
            except OSError as error:
                if first < 0:
                    first = offset + start
                end = offset + start + size
                if is_gone(error):
                    break
        return (first, end) if first >= 0 else (offset, offset + length)

    def _unchanged(self, number: int, entry: FileEntry, opened: _Open) -> Finding | None:
        try:
            now = self._io.fstat(opened.handle)
        except OSError as error:
            return self._unreadable(number, 0, entry.size, error)
        if now.size != entry.size:
            return self._changed(number, f"it had {entry.size:,} bytes and now has {now.size:,}")
        if not self._same_time(now.modified_ns, entry.modified_ns):
            how = (
                "its modification date is another"
                if self._drive
                else f"it was written to since {self._words.name} was scanned"
            )
            return self._changed(number, how)
        return None

    # --- what went wrong

    def _went_well(self, number: int, entry: FileEntry) -> None:
        if entry.size:
            self._read_well = number
        if self._failed_in_a_row:
            with self._count_lock:
                self._failed_in_a_row = 0

    def _is_lost(self) -> bool:
        """Whether so many files in a row failed that the device must be gone: then a file that was read before cannot
        be read any more either. A damaged stretch of a card is no reason to give up the rest of it."""
        limit = self._settings.lost_after_files
        with self._count_lock:
            self._failed_in_a_row += 1
            if self._failed_in_a_row < limit:
                return False
            if self._read_well < 0:
                return self._failed_in_a_row >= limit * _NOTHING_READ_YET
            self._failed_in_a_row = 0
        return not self._answers(self._read_well)

    def _answers(self, number: int) -> bool:
        try:
            with mmap.mmap(-1, ALIGNMENT) as buffer:
                opened = self._open(number, self._files[number])
                try:
                    return self._io.read_into(opened.handle, memoryview(buffer), 0) > 0
                finally:
                    self._close(opened)
        except OSError as error:
            return is_too_many_files(error)
        except BufferError:
            return False

    def _changed(self, number: int, how: str) -> Finding:
        name = shown(self._place(number))
        if self._drive:
            return error(
                Kind.READBACK_DIFFERS,
                f"{name} on the drive is not what was written: {how}",
                path=name,
                drive=self._drive,
                remedy="run the same command again; if it happens twice, take another drive",
            )
        return error(
            Kind.CARD_CHANGED,
            f"{name} changed on {self._words.name} during the work: {how}",
            path=name,
            remedy=f"make sure nothing writes to {self._words.name}, then run the same command again",
        )

    def _unreadable(self, number: int, first: int, length: int, error: OSError) -> Finding:
        name = shown(self._place(number))
        what = f"bytes {first:,} to {first + length - 1:,} of {name}" if length else name
        if error.errno == errno.ENOENT and not self._drive:
            return self._changed(number, "it is no longer there")
        source = f"back from {self._drive}" if self._drive else f"from {self._words.name}"
        told = f"{what} cannot be read {source} ({said(error)})"
        if is_too_many_files(error):
            return Finding(Kind.UNREADABLE, Severity.ERROR, name, told, drive=self._drive, remedy=MORE_FILES)
        finding = Finding(
            Kind.UNREADABLE, Severity.ERROR, name, told, drive=self._drive,
            remedy="run the same command again; if it happens twice, take another drive"
            if self._drive
            else f"{self._words.keep}; {self._words.other}, then run the same command again",
        )  # fmt: skip
        if is_gone(error) or self._is_lost():
            what = f"the drive {self._drive}" if self._drive else self._words.name
            raise TreeLost(
                Finding(
                    Kind.DRIVE_GONE if self._drive else Kind.CARD_MISSING,
                    Severity.ERROR,
                    name,
                    f"{what} went away while {name} was being read ({said(error)})",
                    drive=self._drive,
                    remedy="reconnect it, then run the same command again",
                )
            )
        return finding
