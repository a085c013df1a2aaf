"""What lies on a block device: type, UUID and label, from `blkid` where it may read, else from udev's database.

Both are read, never trusted: values are plain text that callers show inertly.
"""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import subprocess
from collections.abc import Mapping

from rollproof.models.names import to_text

_BLKID_SECONDS = 10.0
_FS_IOC_GETFSUUID = 0x80111500  # linux/fs.h: _IOR(0x15, 0, struct fsuuid2), Linux 6.9
_EMPTY_ID = re.compile(r"[0\W]*")

# udev's name → blkid's name
_UDEV_NAMES = {
    "ID_FS_TYPE": "TYPE",
    "ID_FS_UUID": "UUID",
    "ID_FS_LABEL_ENC": "LABEL_ENC",
    "ID_FS_LABEL": "LABEL",
    "ID_PART_TABLE_UUID": "PTUUID",
    "ID_PART_ENTRY_TYPE": "PART_ENTRY_TYPE",
}


def run_blkid(node: str) -> dict[str, str]:
    """`blkid -p -o export NODE` as a mapping; empty when it fails, may not read or does not answer in time.

    `-p` looks at the device itself: blkid's cache may remember the card before this one.
    """
    program = shutil.which("blkid", path="/usr/sbin:/sbin:/usr/bin:/bin")
    if program is None:
        return {}
    try:
        child = subprocess.Popen(
            [program, "-p", "-o", "export", node],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={"LC_ALL": "C"},
        )
    except OSError:
        return {}
    try:
        out, _ = child.communicate(timeout=_BLKID_SECONDS)
    except subprocess.TimeoutExpired:
        # not waited for: a reader of a hung device does not die, and waiting for it would hang us as well
        child.kill()
        return {}
    return parse_export(out)


def parse_export(out: bytes) -> dict[str, str]:
    """The `KEY=value` lines of `blkid -o export`, whose values escape odd characters with a backslash."""
    found: dict[str, str] = {}
    for line in out.split(b"\n"):
        key, equals, value = line.partition(b"=")
        if equals:
            found[to_text(key)] = to_text(re.sub(rb"\\(.)", rb"\1", value))
    return found


def from_udev(database: bytes, number: tuple[int, int]) -> dict[str, str]:
    """The same keys from udev's database folder (`/run/udev/data`), readable by everyone; empty where there is none."""
    name = b"b%d:%d" % number
    try:
        with open(os.path.join(database, name), "rb") as handle:
            text = handle.read(1 << 20)
    except OSError:
        return {}
    found: dict[str, str] = {}
    for line in text.split(b"\n"):
        key, equals, value = line.removeprefix(b"E:").partition(b"=")
        if equals and line.startswith(b"E:") and (known := _UDEV_NAMES.get(to_text(key))):
            found[known] = to_text(value)
    if "LABEL_ENC" in found:  # the plain form has its spaces replaced
        encoded = found.pop("LABEL_ENC").encode()
        decoded = re.sub(rb"\\x([0-9a-fA-F]{2})", lambda match: bytes([int(match.group(1), 16)]), encoded)
        found["LABEL"] = to_text(decoded)
    return found


def file_system_uuid(path: bytes) -> str | None:
    """The UUID the mounted file system itself tells (ext4, xfs, btrfs on Linux 6.9 and later), else None."""
    answer = bytearray(17)
    try:
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError:
        return None
    try:
        fcntl.ioctl(handle, _FS_IOC_GETFSUUID, answer, True)
    except OSError:
        return None
    finally:
        os.close(handle)
    if answer[0] != 16:
        return None
    text = answer[1:].hex()
    return known_id("-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:])))


def known_id(value: str | None) -> str | None:
    """An identity, or None for one that is empty or all zeros: that one names nothing."""
    return value if value and not _EMPTY_ID.fullmatch(value) else None


def merged(first: Mapping[str, str], second: Mapping[str, str]) -> dict[str, str]:
    """What the first says, filled up from the second."""
    return {**second, **first}
