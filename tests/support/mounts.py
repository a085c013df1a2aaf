"""A mount table of its own for a test process, so that several can mount and unmount beside each other."""

from __future__ import annotations

import ctypes
import os

_CLONE_NEWNS = 0x00020000
_MS_REC, _MS_PRIVATE = 0x4000, 0x40000


def keep_mounts_to_ourselves() -> bool:
    """From now on, this thread and the processes and threads it starts have a mount table of their own; the kernel
    takes it away with the last of them. False where that cannot be had (no Linux, no root): nothing is changed then.

    Call it from the main thread: `/proc/self` tells of that one.
    """
    if not hasattr(os, "geteuid") or os.uname().sysname != "Linux" or os.geteuid() != 0:
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(_CLONE_NEWNS) != 0:
        return False
    # or else what is mounted here would go on to those whose table this was
    if libc.mount(None, b"/", None, _MS_REC | _MS_PRIVATE, None) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), "/")
    return True
