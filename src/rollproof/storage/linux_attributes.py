"""Extended attributes and alternate data streams on Linux.

ntfs-3g shows the streams of NTFS in one of three ways, by its option `streams_interface`, which the list of mounts does
not tell: `xattr` (the default) as attributes `user.NAME`, `windows` as files `FILE:NAME` with their list in the
attribute `ntfs.streams.list`, `none` not at all. In the last two the list of attributes is empty and no error: a mount
is known by whether an attribute `user.…` could be there.
"""

from __future__ import annotations

import errno
import os

from rollproof.storage.io import NamedPart, PartsShown

_USER = "user."
_PROBE = "user.rollproof.probe"
_STREAMS = "ntfs.streams.list"
_NOT_SHOWN = frozenset((errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS))


def _path(name: bytes, folder: int) -> bytes:
    # one call instead of three: the attributes of an entry cannot be asked by folder and name
    return b"/proc/self/fd/%d/%s" % (folder, name)


def parts_shown_as(folder: int) -> PartsShown | None:
    """As `Io.parts_shown_as`."""
    path = _path(b".", folder)
    for attribute, shown_as in ((_STREAMS, PartsShown.STREAMS), (_PROBE, PartsShown.ATTRIBUTES)):
        try:
            os.getxattr(path, attribute, follow_symlinks=False)
        except OSError as error:
            if error.errno in _NOT_SHOWN:
                continue
            if error.errno != errno.ENODATA:
                raise
        return shown_as
    return None


def named_parts(name: bytes, folder: int, shown_as: PartsShown) -> list[NamedPart]:
    """As `Io.named_parts`. Attributes of the system itself (`security.`, `system.`, `trusted.`) are none."""
    path = _path(name, folder)
    if shown_as is PartsShown.ATTRIBUTES:
        names = [each for each in os.listxattr(path, follow_symlinks=False) if each.startswith(_USER)]
        return [NamedPart(os.fsencode(each[len(_USER) :]), _size(path, each)) for each in names]
    try:
        streams = os.getxattr(path, _STREAMS, follow_symlinks=False).split(b"\0")
    except OSError as error:
        if error.errno == errno.ENODATA:
            return []
        raise
    return [
        NamedPart(part, os.stat(_stream(name, part), dir_fd=folder, follow_symlinks=False).st_size)
        for part in streams
        if part
    ]


def beginning_of_part(name: bytes, part: bytes, folder: int, shown_as: PartsShown, most: int) -> bytes:
    """As `Io.beginning_of_part`."""
    if shown_as is PartsShown.ATTRIBUTES:
        return os.getxattr(_path(name, folder), os.fsencode(_USER) + part, follow_symlinks=False)[:most]
    handle = os.open(_stream(name, part), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder)
    try:
        return os.pread(handle, most, 0)
    finally:
        os.close(handle)


def _stream(name: bytes, part: bytes) -> bytes:
    if b"/" in part:
        raise OSError(errno.EINVAL, "not the name of a stream", part)
    return (b"" if name == b"." else name) + b":" + part


def _size(path: bytes, attribute: str) -> int | None:
    try:
        return len(os.getxattr(path, attribute, follow_symlinks=False))
    except OSError as error:
        if error.errno == errno.E2BIG:
            return None  # the kernel hands out at most 64 KiB; a stream of NTFS may hold any amount
        raise
