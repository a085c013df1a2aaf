"""Where `make_failure_pages` plays its failures: a card, two drives and a station, all real to the kernel.

Everything happens in a mount namespace of its own, so that the drives can lie where a reader expects them
(`/media/PRIMARY`) and nothing of it is left behind, whatever happens. Needs root, loop devices and FUSE.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import pty
import re
import shutil
import signal
import struct
import subprocess
import sys
import termios
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests")]

from support.devices import Devices, Drive  # noqa: E402
from support.fuse_fs import FaultyDisk  # noqa: E402
from support.movies import whole_movie  # noqa: E402
from support.trees import Blob, Tree, build  # noqa: E402

COLUMNS = 80
MEDIA = Path("/media")
HOME = Path("/home/wrangler")
CARD = MEDIA / "A003"
DRIVES = ("PRIMARY", "BACKUP")
LONGEST_SECONDS = 300.0
CLIP_BYTES = 24 << 20


def roll_of(clips: int) -> Tree:
    """The card with so many clips on it."""
    return {
        **{
            f"CLIPS/A003C00{number}_260514_R1BF.mov": whole_movie(CLIP_BYTES, Blob(1 << 20, seed=number).data())
            for number in range(1, clips + 1)
        },
        "CLIPS/A003C001_260514_R1BF.xml": b"<clip take='1' bell='3'/>\n",
        "NOTES.TXT": b"The Bell Foundry, unit main, camera A\n",
    }


_CODES = re.compile("\x1b\\[[0-9;?]*[A-Za-z]")
_CLONE_NEWNS, _CLONE_NEWUTS = 0x00020000, 0x04000000
_MS_REC_PRIVATE = 0x4000 | (1 << 18)


def own_world() -> None:
    """Leave the mounts and the host name of everybody else: what is mounted from here on ends with this process."""
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(_CLONE_NEWNS | _CLONE_NEWUTS) != 0:
        raise OSError(ctypes.get_errno(), "root is needed to make mounts of one's own")
    if libc.mount(b"none", b"/", None, _MS_REC_PRIVATE, None) != 0:
        raise OSError(ctypes.get_errno(), "the mounts cannot be made private")
    name = b"cart-1"
    libc.sethostname(name, len(name))
    for folder, size in ((MEDIA, "4g"), (HOME.parent, "64m")):
        folder.mkdir(exist_ok=True)
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], check=True)
    HOME.mkdir()


@dataclass
class Running:
    """A command at work, its stdout on a terminal of its own."""

    words: tuple[str, ...]
    process: subprocess.Popen[bytes]
    terminal: int

    def hold(self, when: Callable[[], bool]) -> None:
        """Stop it at the moment `when` says True. Fails when it ended before that."""
        began = time.monotonic()
        while not when():
            if self.process.poll() is not None:
                raise RuntimeError(f"it ended before the fault: {self.finish()}")
            if time.monotonic() - began > LONGEST_SECONDS:
                raise RuntimeError("the moment for the fault never came")
            time.sleep(0.0005)
        self.process.send_signal(signal.SIGSTOP)
        time.sleep(0.1)

    def finish(self, *, after: tuple[bytes, Callable[[], object]] | None = None) -> str:
        """What it printed on stdout, without control codes; what it said on stderr when that was all. `after` is
        something to be done once certain words were said: a device that hangs keeps the process from ending."""
        errors: list[bytes] = []
        assert self.process.stderr is not None
        reader = threading.Thread(target=lambda: errors.append(self.process.stderr.read()))  # type: ignore[union-attr]
        reader.start()
        out = bytearray()
        try:
            while piece := os.read(self.terminal, 1 << 16):
                out += piece
                if after is not None and after[0] in out:
                    after[1]()
                    after = None
        except OSError:
            pass  # the other side of the terminal is closed
        os.close(self.terminal)
        self.process.wait(LONGEST_SECONDS)
        reader.join(LONGEST_SECONDS)
        text = _CODES.sub("", out.decode("utf-8", "replace").replace("\r\n", "\n")).strip("\n")
        return text or _CODES.sub("", b"".join(errors).decode("utf-8", "replace")).strip("\n")


@dataclass
class Bench:
    """One card and two drives. `said` collects commands with what they printed."""

    devices: Devices
    card: Drive
    drives: dict[str, Drive]
    disks: dict[str, FaultyDisk]
    said: list[str] = field(default_factory=list)

    # --- running the real command
    def start(self, *words: str) -> Running:
        """Start `rollproof WORDS` as a person would in a terminal of 80 columns without colour."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith("ROLLPROOF_")}
        own = {"COLUMNS": str(COLUMNS), "NO_COLOR": "1", "HOME": str(HOME), "ROLLPROOF_ROLE": "data wrangler"}
        ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
        process = subprocess.Popen(
            [sys.executable, "-m", "rollproof", *words],
            cwd=HOME,
            env={**kept, **own, "PYTHONPATH": str(REPOSITORY / "src")},
            stdin=subprocess.DEVNULL,
            stdout=theirs,
            stderr=subprocess.PIPE,  # the moving screen: what stands there in the end is on stdout
            start_new_session=True,
        )
        os.close(theirs)
        return Running(words, process, ours)

    def finish(
        self, running: Running, *, show: bool = True, after: tuple[bytes, Callable[[], object]] | None = None
    ) -> str:
        """Wait for its end and keep what it printed, as a block of the page."""
        told = running.finish(after=after)
        if show:
            self.said.append(f"$ {_shown('rollproof ' + ' '.join(running.words))}\n\n{told}\n")
        return told

    def run(self, *words: str, show: bool = True) -> str:
        """Run a command to its end."""
        return self.finish(self.start(*words), show=show)

    @property
    def offload_words(self) -> tuple[str, ...]:
        """The command of every page."""
        return ("offload", str(CARD), *(word for drive in DRIVES for word in ("--to", str(MEDIA / drive))))

    def offload(self, *, show: bool = True) -> str:
        """Offload the card to both drives."""
        return self.run(*self.offload_words, show=show)

    def offload_with(
        self,
        fault: Callable[[], object],
        *,
        when: Callable[[], bool],
        show: bool = True,
        after: tuple[bytes, Callable[[], object]] | None = None,
    ) -> str:
        """The same, held still at the moment `when` first says True while something happens to it."""
        running = self.start(*self.offload_words)
        running.hold(when)
        fault()
        running.process.send_signal(signal.SIGCONT)
        return self.finish(running, show=show, after=after)

    # --- where things are
    def roll(self, drive: str = "PRIMARY") -> Path:
        """The roll's folder on a drive."""
        return MEDIA / drive / "A003"

    def writing(self, clip: int = 2, drive: str = "PRIMARY") -> Callable[[], bool]:
        """Whether a clip is just being written there."""
        partial = self.roll(drive) / f"CLIPS/A003C00{clip}_260514_R1BF.mov.rollproof-partial"
        return partial.exists

    def clip(self, number: int = 2, drive: str = "PRIMARY") -> Path:
        """A clip's copy."""
        return self.roll(drive) / f"CLIPS/A003C00{number}_260514_R1BF.mov"


def _shown(line: str) -> str:
    return line if len(line) <= COLUMNS - 2 else line.replace(" --to ", " \\\n    --to ")


@contextmanager
def bench(faulty: tuple[str, ...] = (), *, writable: bool = False, clips: int = 3) -> Iterator[Bench]:
    """A fresh card and fresh drives; those in `faulty` (`A003`, `PRIMARY`) go wrong on demand."""
    shutil.rmtree(HOME / ".local", ignore_errors=True)
    with Devices(MEDIA) as devices:
        drives: dict[str, Drive] = {}
        disks: dict[str, FaultyDisk] = {}
        for name in (CARD.name, *DRIVES):
            size = (88 << 20) + clips * CLIP_BYTES
            if name in faulty:
                disks[name] = FaultyDisk(devices, "ext4", size_bytes=size, name=name)
                drives[name] = disks[name].drive
            else:
                drives[name] = devices.image("ext4", size_bytes=size, name=name, make_options=("-L", name))
            (drives[name].mount / "lost+found").rmdir()
        card = drives.pop(CARD.name)
        build(card.mount, roll_of(clips))
        os.sync()
        card.replug(read_only=not writable)
        yield Bench(devices, card, drives, disks)
    for left in MEDIA.iterdir():
        if left.is_dir():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink()


def block(text: str) -> str:
    """Text as an indented block of a page."""
    return textwrap.indent(text, "    ")
