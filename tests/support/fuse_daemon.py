"""The daemon behind `fuse_fs`: run as a program, told what to do by JSON lines on its standard input.

Every line is answered with one JSON object: how many faults of each kind happened so far.
"""

from __future__ import annotations

import errno
import fnmatch
import json
import os
import sys
import threading
import time
from collections import Counter
from typing import Any

import mfusepy

_STATS = (
    "st_mode", "st_ino", "st_dev", "st_nlink", "st_uid", "st_gid", "st_size", "st_blocks", "st_blksize",
    "st_atime_ns", "st_mtime_ns", "st_ctime_ns",
)  # fmt: skip


class Rules:
    """The rules, what they counted, and the gate at which stalled calls wait."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._rules: list[dict[str, Any]] = []
        self._seen: list[int] = []
        self.injected: Counter[str] = Counter()
        self.gate = threading.Event()

    def replace(self, rules: list[dict[str, Any]]) -> None:
        """New rules, counting from nothing."""
        with self._lock:
            self._rules = rules
            self._seen = [0] * len(rules)
            self.gate.clear()

    def find(self, operation: str, path: str, first: int, last: int) -> dict[str, Any] | None:
        """The rule that hits this call, if any."""
        with self._lock:
            hit = None
            for number, rule in enumerate(self._rules):
                if rule["operation"] != operation or not fnmatch.fnmatchcase(path, rule["path"]):
                    continue
                if last < rule["first_byte"] or first > rule["last_byte"] or last - first + 1 < rule["least_bytes"]:
                    continue
                self._seen[number] += 1
                seen, nth = self._seen[number], rule["nth"]
                if hit is None and (seen >= nth if rule["onward"] else seen == nth):
                    hit = rule
            return hit

    def count(self, kind: str) -> None:
        """One more fault happened."""
        with self._lock:
            self.injected[kind] += 1

    def told(self) -> dict[str, int]:
        """What happened so far."""
        with self._lock:
            return dict(self.injected)


class PassThrough(mfusepy.Operations):  # type: ignore[misc]
    """Everything goes to the folder behind, unless a rule says otherwise."""

    use_ns = True

    def __init__(self, behind: bytes, rules: Rules) -> None:
        self._behind = behind
        self._rules = rules
        self._stale: dict[tuple[str, int], int] = {}
        self._lock = threading.Lock()

    def forget(self) -> None:
        """Drop the cache that disagrees with the medium."""
        with self._lock:
            self._stale.clear()

    def _real(self, path: str) -> bytes:
        return self._behind + os.fsencode(path)

    def _judge(self, operation: str, path: str, first: int = 0, size: int = 1) -> dict[str, Any]:
        """Carry out the faults that need nothing else; give back those of reads and writes."""
        rule = self._rules.find(operation, path.lstrip("/"), first, first + max(size, 1) - 1)
        if rule is None:
            return {}
        fault: dict[str, Any] = rule["fault"]
        if "die" in fault:
            os._exit(1)
        if "stall" in fault:
            self._rules.count("stalled")
            self._rules.gate.wait()
            return {}
        if "seconds" in fault:
            self._rules.count("slowed")
            time.sleep(fault["seconds"])
            return {}
        if "errno" in fault:
            self._rules.count(errno.errorcode[fault["errno"]])
            raise mfusepy.FuseOSError(fault["errno"])
        return {**fault, "at": max(rule["first_byte"], first) if rule["first_byte"] else first + size // 2}

    # --- files

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        self._judge("getattr", path)
        found = os.lstat(self._real(path)) if fh is None else os.fstat(fh)
        values = {name: getattr(found, name) for name in _STATS}
        for name in ("atime", "mtime", "ctime"):
            values[f"st_{name}"] = values.pop(f"st_{name}_ns")
        return values

    def open(self, path: str, flags: int) -> int:
        self._judge("open", path)
        return os.open(self._real(path), flags & ~(os.O_DIRECT | os.O_CREAT | os.O_EXCL | os.O_APPEND))

    def create(self, path: str, mode: int, flags: int = 0) -> int:
        self._judge("create", path)
        return os.open(self._real(path), (flags & ~(os.O_DIRECT | os.O_APPEND)) | os.O_CREAT, mode)

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        fault = self._judge("read", path, offset, size)
        data = bytearray(os.pread(fh, size, offset))
        with self._lock:
            for (stale_path, at), mask in self._stale.items():
                if stale_path == path and offset <= at < offset + len(data):
                    data[at - offset] ^= mask
        if "flip" in fault and data:
            data[min(fault["at"] - offset, len(data) - 1)] ^= fault["flip"]
            self._rules.count("bit flipped on the way in")
        if "short" in fault and len(data) > 1:
            self._rules.count("short read")
            data = data[: len(data) // 2]
        return bytes(data)

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        fault = self._judge("write", path, offset, len(data))
        if "lose" in fault:
            self._rules.count("silently lost write")
            return len(data)
        if "short" in fault and len(data) > 1:
            self._rules.count("short write")
            data = data[: len(data) // 2]
        with self._lock:
            for key in [key for key in self._stale if key[0] == path and offset <= key[1] < offset + len(data)]:
                del self._stale[key]  # written anew
        if ("flip" in fault or "stale" in fault) and data:
            mask: int = fault["flip"] if "flip" in fault else fault["stale"]
            at = min(fault["at"], offset + len(data) - 1)
            changed = bytearray(data)
            changed[at - offset] ^= mask
            if "stale" in fault:
                with self._lock:
                    self._stale[path, at] = mask
            self._rules.count("bit flipped on the way out" if "flip" in fault else "cache that disagrees")
            return os.pwrite(fh, bytes(changed), offset)
        return os.pwrite(fh, data, offset)

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        self._judge("truncate", path)
        os.truncate(self._real(path) if fh is None else fh, length)
        return 0

    def flush(self, path: str, fh: int) -> int:
        self._judge("flush", path)
        return 0

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        if "lose" in self._judge("fsync", path):
            self._rules.count("silently lost fsync")
            return 0
        os.fsync(fh)
        return 0

    def release(self, path: str, fh: int) -> int:
        os.close(fh)
        return 0

    # --- names

    def rename(self, old: str, new: str) -> int:
        self._judge("rename", new)
        os.rename(self._real(old), self._real(new))
        with self._lock:
            for key in [key for key in self._stale if key[0] == old]:
                self._stale[new, key[1]] = self._stale.pop(key)
        return 0

    def unlink(self, path: str) -> int:
        self._judge("unlink", path)
        os.unlink(self._real(path))
        return 0

    def mkdir(self, path: str, mode: int) -> int:
        self._judge("mkdir", path)
        os.mkdir(self._real(path), mode)
        return 0

    def rmdir(self, path: str) -> int:
        self._judge("rmdir", path)
        os.rmdir(self._real(path))
        return 0

    def readdir(self, path: str, fh: int) -> list[str]:
        self._judge("readdir", path)
        names = os.listdir(self._real(path))
        return [".", "..", *(os.fsdecode(name) for name in names)]

    def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
        self._judge("fsyncdir", path)
        handle = os.open(self._real(path), os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        return 0

    def symlink(self, target: str, source: str) -> int:
        os.symlink(os.fsencode(source), self._real(target))
        return 0

    def readlink(self, path: str) -> str:
        return os.fsdecode(os.readlink(self._real(path)))

    # --- the rest

    def chmod(self, path: str, mode: int) -> int:
        os.chmod(self._real(path), mode)
        return 0

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
        self._judge("utimens", path)
        if times is None:
            os.utime(self._real(path), follow_symlinks=False)
        else:
            os.utime(self._real(path), ns=times, follow_symlinks=False)
        return 0

    def statfs(self, path: str) -> dict[str, int]:
        self._judge("statfs", path)
        found = os.statvfs(self._real(path))
        names = (
            "f_bavail",
            "f_bfree",
            "f_blocks",
            "f_bsize",
            "f_favail",
            "f_ffree",
            "f_files",
            "f_frsize",
            "f_namemax",
        )
        return {name: getattr(found, name) for name in names}


def _listen(rules: Rules, files: PassThrough) -> None:
    for line in sys.stdin.buffer:
        words = json.loads(line)
        if "rules" in words:
            rules.replace(words["rules"])
        if "release" in words:
            rules.replace([])
            rules.gate.set()
        if "forget" in words:
            files.forget()
        sys.stdout.write(json.dumps(rules.told()) + "\n")
        sys.stdout.flush()


def main(behind: str, mount: str, direct_io: str, fsname: str, subtype: str) -> None:
    """Serve until unmounted. Attribute caching is off, so that every question reaches the rules."""
    rules = Rules()
    files = PassThrough(os.fsencode(behind), rules)
    threading.Thread(target=_listen, args=(rules, files), daemon=True).start()
    mfusepy.FUSE(
        files,
        mount,
        foreground=True,
        nothreads=False,
        fsname=fsname,
        subtype=subtype,
        direct_io=direct_io == "1",
        attr_timeout=0,
        entry_timeout=0,
        default_permissions=True,
    )
    os._exit(0)  # unmounted; the listening thread would hold the interpreter up


if __name__ == "__main__":
    main(*sys.argv[1:])
