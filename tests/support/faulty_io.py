"""An `Io` around another one, in which chosen calls go wrong. Fast, deterministic, and the engine cannot tell.

    io = FaultyIo(system_io(), [Rule(Fail(errno.EIO), "read_into", path=b"*.mov", drive=card, nth=3)])

Every call is counted and kept in `calls`; what really happened is counted in `injected` and for the whole suite.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from rollproof.storage.io import EntryKind, Io, NamedPart, PartsShown, Stat, one_by_one
from support.counting import FAULTS
from support.faults import (
    LOSABLE,
    Answer,
    Call,
    Do,
    Fail,
    Fault,
    Flip,
    Kill,
    Killed,
    Lose,
    Rule,
    Short,
    Stall,
    timeless,
)

_PAGE = 4096
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Opened:
    drive: bytes
    path: bytes
    direct: bool = False
    writing: bool = False

    def below(self, name: bytes, *, direct: bool = False, writing: bool = False) -> _Opened:
        path = self.path if name == b"." else (self.path + b"/" + name if self.path else name)
        return _Opened(self.drive, path, direct, writing)


class FaultyIo:
    """`Io` with faults by rule. Thread-safe. The first rule that matches decides; each rule counts on its own."""

    def __init__(
        self,
        inner: Io,
        rules: Iterable[Rule] = (),
        *,
        on_fault: Callable[[], object] | None = None,
        reads_at_once: int = 1,
    ) -> None:
        self._on_fault = on_fault
        self.inner = inner
        self.name = inner.name
        self.reads_at_once = reads_at_once
        self.open_together = inner.open_together
        self.rules = list(rules)
        self.calls: list[Call] = []
        self.injected: Counter[str] = Counter()
        self.killed = threading.Event()
        self._seen = [0] * len(self.rules)
        self._same: Counter[tuple[bytes, str, bytes]] = Counter()
        self._opened: dict[int, _Opened] = {}
        # re-entrant: the garbage collector may close a handle in the middle of any call of the same thread
        self._lock = threading.RLock()
        self._quiet = threading.Condition(self._lock)
        self._under_way = 0

    # --- for the test

    @property
    def reached(self) -> bool:
        """Whether any fault happened."""
        return bool(self.injected)

    def abandon(self, *, wait_seconds: float = 5.0) -> None:
        """What the end of a process does: no further call is made, calls under way end, every handle is closed
        (and with it every lock)."""
        self.killed.set()
        with self._lock:
            self._quiet.wait_for(lambda: self._under_way == 0, wait_seconds)
            handles = list(self._opened)
            self._opened.clear()
        for handle in handles:
            with contextlib.suppress(OSError):
                self.inner.close(handle)

    # --- one call

    def _call(self, operation: str, at: _Opened, action: Callable[[], T]) -> T:
        """Count the call, find its fault, carry it out."""
        fault = self._begin(operation, at)
        try:
            return self._carry_out(fault, operation, action)
        finally:
            with self._lock:
                self._under_way -= 1
                self._quiet.notify_all()

    def _begin(self, operation: str, at: _Opened) -> Fault | None:
        with self._lock:
            if self.killed.is_set():
                raise Killed
            key = (at.drive, operation, timeless(at.path))
            self._same[key] += 1
            call = Call(len(self.calls) + 1, operation, at.drive, at.path, self._same[key], at.writing)
            self.calls.append(call)
            chosen: Fault | None = None
            for number, rule in enumerate(self.rules):
                if not rule.concerns(call, direct=at.direct, reached=self._seen[number] > 0):
                    continue
                self._seen[number] += 1
                hit = self._seen[number] >= rule.nth if rule.onward else self._seen[number] == rule.nth
                if hit and chosen is None:
                    chosen = rule.fault
            self._under_way += 1
            return chosen

    def _carry_out(self, fault: Fault | None, operation: str, action: Callable[[], T]) -> T:
        match fault:
            case Fail():
                done = fault.after or operation == "close"  # a failed close has closed: the number is free again
                if done:
                    self._undo(operation, action())
                self._count(f"{errno.errorcode[fault.errno]}{', done all the same' if fault.after else ''}")
                raise OSError(fault.errno, os.strerror(fault.errno))
            case Kill():
                if fault.after:
                    self._undo(operation, action())
                self._count("killed")
                self.killed.set()
                raise Killed
            case Stall():
                self._count("stalled")
                fault.released.wait()
                if self.killed.is_set():
                    raise Killed
                return action()
            case Answer():
                self._count("false answer")
                return fault.value  # type: ignore[return-value]
            case Do():
                self._count("changed underneath")
                fault.action()
                return action()
            case Lose() if operation in LOSABLE:
                self._count(f"silently lost {operation}")
                return None  # type: ignore[return-value]
            case _:
                return action()

    def _undo(self, operation: str, result: object) -> None:
        """A handle nobody will ever be told of is closed again."""
        if operation in _OPENING and isinstance(result, int):
            self.inner.close(result)

    def _count(self, kind: str) -> None:
        with self._lock:
            self.injected[kind] += 1
        FAULTS.add(kind)
        if self._on_fault is not None:
            self._on_fault()

    def _at(self, handle: int) -> _Opened:
        return self._opened.get(handle, _Opened(b"", b""))

    def _remember(self, handle: int, at: _Opened) -> int:
        with self._lock:
            self._opened[handle] = at
        return handle

    def _open(self, operation: str, at: _Opened, action: Callable[[], int]) -> int:
        return self._remember(self._call(operation, at, action), at)

    # --- folders

    def open_root(self, path: bytes) -> int:
        """See `Io`."""
        return self._open("open_root", _Opened(path, b""), lambda: self.inner.open_root(path))

    def open_folder(self, name: bytes, folder: int) -> int:
        """See `Io`."""
        at = self._at(folder).below(name)
        return self._open("open_folder", at, lambda: self.inner.open_folder(name, folder))

    def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
        """See `Io`."""
        return self._call("list_folder", self._at(folder), lambda: self.inner.list_folder(folder))

    def make_folder(self, name: bytes, folder: int) -> None:
        """See `Io`."""
        self._call("make_folder", self._at(folder).below(name), lambda: self.inner.make_folder(name, folder))

    def remove_folder(self, name: bytes, folder: int) -> None:
        """See `Io`."""
        self._call("remove_folder", self._at(folder).below(name), lambda: self.inner.remove_folder(name, folder))

    # --- files

    def open_read(self, name: bytes, folder: int, *, direct: bool) -> int:
        """See `Io`."""
        at = self._at(folder).below(name, direct=direct)
        return self._open("open_read", at, lambda: self.inner.open_read(name, folder, direct=direct))

    def create(self, name: bytes, folder: int, *, direct: bool) -> int:
        """See `Io`."""
        at = self._at(folder).below(name, direct=direct, writing=True)
        return self._open("create", at, lambda: self.inner.create(name, folder, direct=direct))

    def open_append(self, name: bytes, folder: int, *, create: bool) -> int:
        """See `Io`."""
        at = self._at(folder).below(name, writing=True)
        return self._open("open_append", at, lambda: self.inner.open_append(name, folder, create=create))

    def stat(self, name: bytes, folder: int) -> Stat:
        """See `Io`."""
        return self._call("stat", self._at(folder).below(name), lambda: self.inner.stat(name, folder))

    def fstat(self, handle: int) -> Stat:
        """See `Io`."""
        return self._call("fstat", self._at(handle), lambda: self.inner.fstat(handle))

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        """See `Io`."""
        return self._transfer(
            "read_into", handle, view, lambda part: self.inner.read_into(handle, part, offset), reading=True
        )

    def read_many(self, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
        """See `Io`: by single reads, each of which can go wrong."""
        return one_by_one(self, reads)

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        """See `Io`."""
        return self._transfer(
            "write_from", handle, view, lambda part: self.inner.write_from(handle, part, offset), reading=False
        )

    def _transfer(
        self, operation: str, handle: int, view: memoryview, move: Callable[[memoryview], int], *, reading: bool
    ) -> int:
        fault = self._begin(operation, self._at(handle))
        try:
            match fault:
                case Short() if len(view) > 1:
                    count = move(view) if reading else move(view[: _half(len(view))])
                    short = _half(count) if reading and count > 1 else count
                    if short < len(view) and short < (count if reading else len(view)):
                        self._count("short read" if reading else "short write")
                    return short
                case Flip() if reading:
                    return self._flipped_in(fault, view, move(view))
                case Flip():
                    return self._flipped_out(fault, view, move)
                case Lose() if operation in LOSABLE:
                    self._count(f"silently lost {operation}")
                    return len(view)
                case _:
                    return self._carry_out(fault, operation, lambda: move(view))
        finally:
            with self._lock:
                self._under_way -= 1
                self._quiet.notify_all()

    def _flipped_in(self, fault: Flip, view: memoryview, count: int) -> int:
        if count:
            place = count // 2 if fault.position is None else min(fault.position, count - 1)
            octets = view.cast("B")
            octets[place] ^= fault.mask
            self._count("bit flipped on the way in")
        return count

    def _flipped_out(self, fault: Flip, view: memoryview, move: Callable[[memoryview], int]) -> int:
        if not len(view):
            return move(view)
        # page-aligned, so that it may be written directly too
        with mmap.mmap(-1, -(-len(view) // _PAGE) * _PAGE) as copy:
            copy[: len(view)] = bytes(view)
            place = len(view) // 2 if fault.position is None else min(fault.position, len(view) - 1)
            copy[place] ^= fault.mask
            with memoryview(copy) as whole, whole[: len(view)] as part:
                count = move(part)
        self._count("bit flipped on the way out")
        return count

    def parts_shown_as(self, folder: int) -> PartsShown | None:
        """See `Io`."""
        return self._call("parts_shown_as", self._at(folder), lambda: self.inner.parts_shown_as(folder))

    def named_parts(self, name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
        """See `Io`."""
        at = self._at(folder).below(name)
        return self._call("named_parts", at, lambda: self.inner.named_parts(name, folder, shown_as))

    def beginning_of_part(self, name: bytes, part: bytes, folder: int, shown_as: PartsShown, most: int) -> bytes:
        """See `Io`."""
        at = self._at(folder).below(name)
        return self._call(
            "beginning_of_part", at, lambda: self.inner.beginning_of_part(name, part, folder, shown_as, most)
        )

    def truncate(self, handle: int, size: int) -> None:
        """See `Io`."""
        self._call("truncate", self._at(handle), lambda: self.inner.truncate(handle, size))

    def allocate(self, handle: int, size: int) -> None:
        """See `Io`."""
        self._call("allocate", self._at(handle), lambda: self.inner.allocate(handle, size))

    def set_modified(self, handle: int, modified_ns: int) -> None:
        """See `Io`."""
        self._call("set_modified", self._at(handle), lambda: self.inner.set_modified(handle, modified_ns))

    def flush(self, handle: int) -> None:
        """See `Io`."""
        self._call("flush", self._at(handle), lambda: self.inner.flush(handle))

    def flush_volume(self, handle: int) -> None:
        """See `Io`."""
        self._call("flush_volume", self._at(handle), lambda: self.inner.flush_volume(handle))

    def rename_no_replace(self, old: bytes, new: bytes, folder: int) -> None:
        """See `Io`."""
        at = self._at(folder).below(new)
        self._call("rename_no_replace", at, lambda: self.inner.rename_no_replace(old, new, folder))

    def rename_over(self, old: bytes, new: bytes, folder: int) -> None:
        """See `Io`."""
        self._call("rename_over", self._at(folder).below(new), lambda: self.inner.rename_over(old, new, folder))

    def remove(self, name: bytes, folder: int) -> None:
        """See `Io`."""
        self._call("remove", self._at(folder).below(name), lambda: self.inner.remove(name, folder))

    def close(self, handle: int) -> None:
        """See `Io`."""
        with self._lock:
            at = self._opened.get(handle, _Opened(b"", b""))

        def close() -> None:
            # forgotten before it is closed: the number may be given out again at once
            with self._lock:
                self._opened.pop(handle, None)
            self.inner.close(handle)

        self._call("close", at, close)

    # --- volumes and locks

    def free_bytes(self, handle: int) -> int:
        """See `Io`."""
        return self._call("free_bytes", self._at(handle), lambda: self.inner.free_bytes(handle))

    def lock(self, folder: int) -> bool:
        """See `Io`."""
        return self._call("lock", self._at(folder), lambda: self.inner.lock(folder))

    # --- the page cache

    def drop_pages(self, handle: int) -> None:
        """See `Io`."""
        self._call("drop_pages", self._at(handle), lambda: self.inner.drop_pages(handle))

    def resident_pages(self, handle: int, size: int) -> int:
        """See `Io`."""
        return self._call("resident_pages", self._at(handle), lambda: self.inner.resident_pages(handle, size))

    def bypasses_direct(self, handle: int) -> bool:
        """See `Io`."""
        return self._call("bypasses_direct", self._at(handle), lambda: self.inner.bypasses_direct(handle))

    def kept_inside(self, handle: int) -> bool:
        """See `Io`."""
        return self._call("kept_inside", self._at(handle), lambda: self.inner.kept_inside(handle))

    def open_device(self, node: str) -> int:
        """See `Io`."""
        at = _Opened(os.fsencode(node), b"")
        return self._open("open_device", at, lambda: self.inner.open_device(node))

    def device_size(self, handle: int) -> int:
        """See `Io`."""
        return self._call("device_size", self._at(handle), lambda: self.inner.device_size(handle))


_OPENING = frozenset({"open_root", "open_folder", "open_read", "create", "open_append", "open_device"})


def _half(count: int) -> int:
    """About half, in whole pages where there is more than one, never nothing."""
    half = count // 2
    return max(half // _PAGE * _PAGE, _PAGE) if count > _PAGE else max(half, 1)
