"""Takes from the process that reads media what it does not need: files, memory without end, other programs.

Each barrier is the system's and holds against native code too, where the system has it: on Linux all of them, on macOS
no file can be opened; Windows offers none of these, there the library's own door (`pyav_input`) stays the only one.
"""

from __future__ import annotations

import contextlib
import os
import struct
from collections.abc import Callable

ADDRESS_BYTES = 1 << 30
"""Of address space in all: enough for the library and for a frame of the largest pictures that are read."""

_LARGEST_HANDLE = 4
"""Standard input, output, errors, and the pipe to the other side: there is no room for one more."""

_NO_NEW_PRIVILEGES = 38
_CREATE_RULESET, _RESTRICT_SELF = 444, 446
"""Landlock(7): the same numbers on every kind of machine."""

_RIGHTS = {1: 13, 2: 14, 3: 15, 4: 15, 5: 16}
"""Rights over files that each version of it knows, as a number of bits."""


def confine() -> None:
    """From here on no file is opened, none is written, memory is bounded. To be called once everything is imported."""
    close_paths = _closing_paths()
    _limit()
    close_paths()


def _limit() -> None:
    try:
        import resource  # noqa: PLC0415 - not on Windows
    except ModuleNotFoundError:
        return
    for name, most in (
        ("RLIMIT_AS", ADDRESS_BYTES),
        ("RLIMIT_CORE", 0),  # no footage in a core file
        ("RLIMIT_FSIZE", 0),
        ("RLIMIT_NOFILE", _LARGEST_HANDLE),
    ):
        with contextlib.suppress(AttributeError, OSError, ValueError):
            resource.setrlimit(getattr(resource, name), (most, most))


def _closing_paths() -> Callable[[], None]:
    """Landlock without a single rule: nothing can be opened, run, made, removed or renamed by its path, nor a network
    be reached. A kernel without it leaves the limits."""
    try:
        import ctypes  # noqa: PLC0415 - only in this process

        system = ctypes.CDLL(None)
        version = system.syscall(_CREATE_RULESET, None, 0, 1)
        if version < 1:
            return _nothing
        files = (1 << _RIGHTS[min(version, max(_RIGHTS))]) - 1
        rules = struct.pack("QQ", files, 3) if version >= 4 else struct.pack("Q", files)
        handle = system.syscall(_CREATE_RULESET, rules, len(rules), 0)
        if handle < 0 or system.prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0) != 0:
            return _nothing
    except (ImportError, OSError, AttributeError, TypeError):
        return _nothing

    def close() -> None:
        system.syscall(_RESTRICT_SELF, handle, 0)
        os.close(handle)

    return close


def _nothing() -> None:
    """Nothing to do."""
