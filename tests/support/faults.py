"""What can go wrong with one system call, and the rules that say with which. Used by `faulty_io`."""

from __future__ import annotations

import fnmatch
import re
import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass

LOSABLE = frozenset(
    {
        "write_from", "flush", "flush_volume", "truncate", "allocate", "set_modified", "rename_no_replace",
        "rename_over", "remove", "make_folder", "remove_folder", "drop_pages",
    }
)  # fmt: skip
"""Calls that can be answered with success and not done at all: what a lying drive does."""


_MOMENT = re.compile(rb"\d{4}-\d\d-\d\d[T_]\d{6}Z")


def timeless(path: bytes) -> bytes:
    """A path without the moment that stands in the names of records and manifests."""
    return _MOMENT.sub(b"<moment>", path)


class Killed(BaseException):
    """The process ends at this call, as by SIGKILL: this call and every later one raises it, and none is made.

    No Exception, so that no ordinary error path takes it for a failure that can be worked around.
    """


@dataclass(frozen=True, slots=True)
class Call:
    """One system call. `index` counts all calls of one `FaultyIo` from 1; `drive` is the path of the opened root it
    was made below, `path` is relative to that; `occurrence` counts equal calls (drive, operation, path) from 1.

    `index` depends on how threads take turns; the other four name a call the same way in every run.
    """

    index: int
    operation: str
    drive: bytes
    path: bytes
    occurrence: int
    writing: bool = False
    """Whether it is made on a file that was opened for writing."""

    @property
    def identity(self) -> tuple[bytes, str, bytes, int]:
        """What names this call in every run."""
        return (self.drive, self.operation, timeless(self.path), self.occurrence)


@dataclass(frozen=True, slots=True)
class Fail:
    """The call fails with this errno. `after` makes it happen all the same and only the answer fails."""

    errno: int
    after: bool = False


@dataclass(frozen=True, slots=True)
class Short:
    """A read or write of more than one byte moves about half of it (whole pages where there are any)."""


@dataclass(frozen=True, slots=True)
class Lose:
    """The call reports success and does nothing (a call whose answer is needed is made all the same)."""


@dataclass(frozen=True, slots=True)
class Flip:
    """One bit of a read or write is turned, at `position` of its bytes (the middle when None)."""

    position: int | None = None
    mask: int = 0x01


@dataclass(frozen=True, slots=True)
class Kill:
    """The process ends here; see `Killed`. `after` lets the call happen first."""

    after: bool = False


@dataclass(frozen=True, slots=True)
class Stall:
    """The call waits until `released` is set, then goes on."""

    released: threading.Event


@dataclass(frozen=True, slots=True)
class Answer:
    """The call is not made; this is its answer."""

    value: object


@dataclass(frozen=True, slots=True)
class Do:
    """Something real happens just before the call (a file grows, a drive is unmounted); then the call is made."""

    action: Callable[[], object]


Fault = Fail | Short | Lose | Flip | Kill | Stall | Answer | Do


@dataclass(frozen=True, slots=True)
class Rule:
    """When a fault happens. All that is given must match; the `nth` matching call is hit, and with `onward` every
    later matching one.

    `operation` is a name of the `Io` protocol, or several; `path` a pattern (fnmatch) on the path below the opened
    root; `drive` the root's path or any folder above it; `index` as in `Call`; `direct` asks how the file was opened.

    `identity` names one call of one run: it must have come for anything to be hit. Alone it is the call that is hit;
    with `onward` that call and every later one that the other conditions fit.
    """

    fault: Fault
    operation: str | Collection[str] = ()
    path: bytes = b"*"
    drive: bytes = b""
    nth: int = 1
    onward: bool = False
    index: int | None = None
    identity: tuple[bytes, str, bytes, int] | None = None
    direct: bool | None = None

    def concerns(self, call: Call, *, direct: bool, reached: bool) -> bool:
        """Whether the rule speaks of this call (before counting); `reached`, whether its identity has come."""
        if self.index is not None and not (call.index == self.index or (self.onward and call.index > self.index)):
            return False
        if self.identity is not None:
            if call.identity == self.identity:
                return True
            if not (self.onward and reached):
                return False
        operations = (self.operation,) if isinstance(self.operation, str) else self.operation
        if operations and call.operation not in operations:
            return False
        if self.direct is not None and self.direct != direct:
            return False
        if self.drive and call.drive != self.drive and not call.drive.startswith(self.drive.rstrip(b"/") + b"/"):
            return False
        return self.path == b"*" or fnmatch.fnmatchcase(call.path, self.path)
