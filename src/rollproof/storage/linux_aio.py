"""Many reads handed to Linux in one call: its asynchronous I/O (io_setup(2), io_submit(2), io_getevents(2)).

Each read of a small file costs a system call in which the interpreter's lock is given away and taken back, and the disk
sees one request after the other. Handed over together, thirty of them cost two calls, and the disk sees them all.
The layouts are those of linux/aio_abi.h.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import platform
import struct
import sys
from collections.abc import Sequence

# asm/unistd: io_setup, io_destroy, io_submit, io_getevents
_NUMBERS = {"x86_64": (206, 207, 209, 208), "aarch64": (0, 1, 2, 4)}
_REQUEST = struct.Struct("=QIiHhIQQqQII")
"""struct iocb: data, key, rw_flags, opcode, reqprio, fildes, buf, nbytes, offset, reserved2, flags, resfd."""
_EVENT = struct.Struct("=QQqq")
"""struct io_event: data, obj, res, res2."""
_PREAD = 0
_POINTER = ctypes.sizeof(ctypes.c_void_p)

MOST = 32
"""So many reads at once: more measured no better, and each keeps a file open."""


def possible() -> bool:
    """Whether this machine's calls are known here. The system may refuse them all the same."""
    # key and rw_flags stand the other way round where the high byte comes first
    return sys.platform == "linux" and sys.byteorder == "little" and platform.machine() in _NUMBERS


class ReadsTogether:
    """Room for `MOST` reads under way, for the thread that makes it. OSError where the system has none to give."""

    def __init__(self) -> None:
        self._context = ctypes.c_ulong(0)
        if not possible():
            raise OSError(errno.ENOSYS, "no such calls known here")
        self._setup, self._destroy, self._submit, self._events = _NUMBERS[platform.machine()]
        self._call = ctypes.CDLL(None, use_errno=True).syscall
        self._call.restype = ctypes.c_long
        self._begin()
        self._requests = ctypes.create_string_buffer(_REQUEST.size * MOST)
        first = ctypes.addressof(self._requests)
        self._pointers = (ctypes.c_void_p * MOST)(*(first + number * _REQUEST.size for number in range(MOST)))
        self._told = ctypes.create_string_buffer(_EVENT.size * MOST)

    def _begin(self) -> None:
        if self._call(self._setup, ctypes.c_uint(MOST), ctypes.byref(self._context)) != 0:
            raise OSError(ctypes.get_errno(), "no room for reads at once")

    def close(self) -> None:
        """Give the room back. Reads under way end first."""
        if self._context.value:  # (nothing of this module is asked for: it may be gone when the interpreter ends)
            self._call(self._destroy, self._context)
            self._context.value = 0

    def __del__(self) -> None:
        self.close()

    def read(self, reads: Sequence[tuple[int, memoryview]]) -> list[int]:
        """Read the beginnings of at most `MOST` files, each into its view: how many bytes of each came, -1 where it
        failed. No read is under way any more when this returns, or raises."""
        if len(reads) > MOST:
            raise ValueError(f"{len(reads)} reads at once")
        for number, (handle, view) in enumerate(reads):
            address = ctypes.addressof(ctypes.c_char.from_buffer(view))
            _REQUEST.pack_into(
                self._requests, number * _REQUEST.size,
                number, 0, 0, _PREAD, 0, handle, address, len(view), 0, 0, 0, 0,
            )  # fmt: skip
        counts = [-1] * len(reads)
        try:
            self._collect(self._hand_over(len(reads)), counts)
        except BaseException:
            self.close()  # waits for what is under way; from here on every read counts as failed
            raise
        return counts

    def _hand_over(self, many: int) -> int:
        """Returns how many are under way. One that the system will not take, and those after it if there is no room
        for more, count as failed."""
        at = under_way = 0
        while at < many:
            taken = self._call(
                self._submit, self._context, ctypes.c_long(many - at), ctypes.byref(self._pointers, at * _POINTER)
            )
            if taken > 0:
                at += taken
                under_way += taken
            elif taken < 0 and ctypes.get_errno() == errno.EINTR:
                continue
            elif taken == 0 or ctypes.get_errno() == errno.EAGAIN:
                break
            else:
                at += 1
        return under_way

    def _collect(self, under_way: int, counts: list[int]) -> None:
        while under_way:
            came = self._call(
                self._events, self._context, ctypes.c_long(under_way), ctypes.c_long(under_way), self._told, None
            )
            if came < 0 and ctypes.get_errno() == errno.EINTR:
                continue
            if came < 0:
                # never leave reads under way: giving the room back waits for them
                self.close()
                with contextlib.suppress(OSError):  # without room every read counts as failed, and is made alone
                    self._begin()
                return
            for number in range(came):
                which, _, result, _ = _EVENT.unpack_from(self._told, number * _EVENT.size)
                counts[which] = result if result >= 0 else -1
            under_way -= came
