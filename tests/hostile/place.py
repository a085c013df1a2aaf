"""Where attacks are played: a card, drives, the real commands in this process, and a guard over everything outside."""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import shutil
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cli.running import Ran, run_line
from support.invariants import Known
from support.trees import Blob, Tree, build

CARD: Tree = {
    "CLIPS/A003C001.mov": Blob(70_000, seed=1),
    "CLIPS/A003C002.mov": Blob(9_001, seed=2),
    "A003.xml": b"<roll name='A003'/>",
}
ROLL = "A003"

# inotify(7)
_IN_ACCESS, _IN_MODIFY, _IN_ATTRIB, _IN_OPEN = 0x1, 0x2, 0x4, 0x20
_IN_MOVED, _IN_CREATE, _IN_DELETE, _IN_ISDIR = 0xC0, 0x100, 0x200, 0x40000000
_ALL = _IN_ACCESS | _IN_MODIFY | _IN_ATTRIB | _IN_OPEN | _IN_MOVED | _IN_CREATE | _IN_DELETE


class Watch:
    """What the kernel saw happen to the files in some folders: opened, read, written, created, moved, removed.

    Whoever does it is seen, libraries in C too. That a folder itself is listed is not counted.
    """

    def __init__(self, *folders: Path) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._handle = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self._handle < 0:
            raise OSError(ctypes.get_errno(), "no inotify")
        for folder in folders:
            if libc.inotify_add_watch(self._handle, os.fsencode(folder), _ALL) < 0:
                raise OSError(ctypes.get_errno(), "cannot watch", folder)

    def seen(self) -> set[bytes]:
        """Names of the entries to which something happened since the last call."""
        names: set[bytes] = set()
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self._handle, 1 << 16):
                while data:
                    _, mask, _, length = struct.unpack_from("=iIII", data)
                    name = data[16 : 16 + length].rstrip(b"\0")
                    if name and not (mask & _IN_ISDIR and mask & (_IN_OPEN | _IN_ACCESS)):
                        names.add(name)
                    data = data[16 + length :]
        return names

    def close(self) -> None:
        """Stop watching."""
        os.close(self._handle)


@dataclass
class Place:
    """Everything below `top`: `card`, the drives `one` and `two`, and `outside`, which nobody has any business in."""

    top: Path
    tree: Tree = field(default_factory=lambda: CARD)

    def __post_init__(self) -> None:
        build(self.card, self.tree)
        for drive in (self.one, self.two):
            drive.mkdir()
        build(self.outside, {"secret.txt": b"top secret", "inner/kept.mov": Blob(5_000, seed=9)})
        self._known = Known.of(self.outside)
        self._others: dict[str, Known] = {}

    @property
    def card(self) -> Path:
        """The card."""
        return self.top / ROLL

    @property
    def one(self) -> Path:
        """A drive."""
        return self.top / "one"

    @property
    def two(self) -> Path:
        """Another drive."""
        return self.top / "two"

    @property
    def outside(self) -> Path:
        """What lies beside card and drives."""
        return self.top / "outside"

    @property
    def roll(self) -> Path:
        """The roll folder on the first drive."""
        return self.one / ROLL

    # --- commands

    def offload(self, *more: str, terminal: bool = False, json_too: bool = True) -> Ran:
        """`rollproof offload` of the card to both drives, or to the one drive where `--to` is among `more`."""
        to = () if "--to" in more else ("--to", str(self.one), "--to", str(self.two))
        return self._run("offload", str(self.card), *to, *more, terminal=terminal, json_too=json_too)

    def verify(self, *more: str, path: Path | None = None, terminal: bool = False, json_too: bool = True) -> Ran:
        """`rollproof verify` of the first drive's roll."""
        return self._run("verify", str(path or self.roll), *more, terminal=terminal, json_too=json_too)

    @staticmethod
    def _run(*words: str, terminal: bool, json_too: bool) -> Ran:
        return run_line(*words, *(("--json",) if json_too else ()), terminal=terminal)

    # --- what must hold

    def untouched(self) -> list[str]:
        """What happened to the folder outside since the beginning; empty when nothing did."""
        return self._known.changes(self.outside)

    @contextlib.contextmanager
    def guarded(self) -> Iterator[None]:
        """Whatever happens inside, no file outside is so much as opened."""
        watch = Watch(self.outside, self.outside / "inner")
        try:
            yield
            assert watch.seen() == set(), "a file outside was touched"
        finally:
            watch.close()
        assert self.untouched() == []


@dataclass
class Papers:
    """Keeps a roll's records and manifests, so that each attack begins with whole ones."""

    roll: Path
    kept: Path

    def __post_init__(self) -> None:
        for name in ("rollproof", "ascmhl"):
            shutil.copytree(self.roll / name, self.kept / name)

    def restore(self) -> None:
        """Bring them back."""
        for name in ("rollproof", "ascmhl"):
            at = self.roll / name
            if at.is_dir() and not at.is_symlink():
                shutil.rmtree(at)
            else:
                at.unlink(missing_ok=True)
            shutil.copytree(self.kept / name, at)


def answer(ran: Ran) -> dict[str, Any]:
    """The one JSON object on stdout."""
    told: dict[str, Any] = json.loads(ran.out)
    return told


def findings(told: Any, severity: str = "error") -> list[dict[str, Any]]:
    """All findings of a severity, wherever they stand in an answer."""
    found: list[dict[str, Any]] = []
    if isinstance(told, dict):
        if told.get("severity") == severity and "kind" in told:
            found.append(told)
        for value in told.values():
            found += findings(value, severity)
    elif isinstance(told, list):
        for value in told:
            found += findings(value, severity)
    return found


def kinds(told: Any, severity: str = "error") -> set[str]:
    """Their kinds."""
    return {finding["kind"] for finding in findings(told, severity)}


def no_traceback(ran: Ran) -> None:
    """Whatever was said, it was no mistake of the program."""
    said = ran.out + ran.err
    crashes = Path(os.environ["ROLLPROOF_HOME"]) / "crashes"
    traces = [path.read_text() for path in crashes.iterdir()] if crashes.is_dir() else []
    assert not traces, traces[0]
    assert "Traceback" not in said
    assert "mistake" not in said, said
