"""Mains or battery, and keeping the computer awake for the length of a job. Nothing here ever fails a job."""

from __future__ import annotations

import contextlib
import ctypes
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import IO, Protocol

_END_SECONDS = 2.0
# winbase.h, SetThreadExecutionState
_ES_CONTINUOUS = 0x80000000
_ES_SYSTEM_REQUIRED = 0x00000001


class Child(Protocol):
    """What is needed of a started program."""

    stdin: IO[bytes] | None
    """The end of this pipe is what it waits for, where it was given one."""

    def terminate(self) -> None:
        """Ask it to end."""
        ...

    def kill(self) -> None:
        """End it."""
        ...

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end; subprocess.TimeoutExpired when it takes longer."""
        ...


def on_battery(root: bytes = b"/", system: str = sys.platform) -> bool | None:
    """Whether the computer runs on its battery now; None when that cannot be told (or it has none)."""
    if system.startswith("linux"):
        return _linux_on_battery(os.path.join(root, b"sys/class/power_supply"))
    try:
        import psutil  # noqa: PLC0415 - not needed where the system tells by itself, and slow to load

        battery = psutil.sensors_battery()
    except (ImportError, AttributeError, OSError, RuntimeError):
        return None
    if battery is None or battery.power_plugged is None:
        return None
    return not battery.power_plugged


def _linux_on_battery(folder: bytes) -> bool | None:
    """Documentation/ABI/testing/sysfs-class-power. Mains that is online decides; else a battery that discharges."""
    try:
        supplies = [os.path.join(folder, name) for name in sorted(os.listdir(folder))]
    except OSError:
        return None
    discharging: bool | None = None
    mains_seen = False
    for supply in supplies:
        if _attribute(supply, b"scope") == "Device":
            continue  # the battery of a mouse
        kind = _attribute(supply, b"type")
        if kind in {"Mains", "USB", "UPS", "Wireless"}:
            if _attribute(supply, b"online") == "1":
                return False
            mains_seen = mains_seen or kind == "Mains"
        elif kind == "Battery":
            discharging = bool(discharging) or _attribute(supply, b"status") == "Discharging"
    if discharging is None:
        return None
    return discharging or mains_seen


def _attribute(supply: bytes, name: bytes) -> str:
    try:
        with open(os.path.join(supply, name), "rb") as handle:
            return handle.read(256).decode("ascii", "replace").strip()
    except OSError:
        return ""


def _launch(command: Sequence[str]) -> Child:
    # The child ends when its standard input does: also when this process is killed and cannot tidy up.
    return subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )


def _set_state_on_windows(flags: int) -> None:
    windll = getattr(ctypes, "windll", None)
    if windll is not None:
        windll.kernel32.SetThreadExecutionState(flags)


@contextlib.contextmanager
def keep_awake(
    why: str = "copying camera cards",
    *,
    system: str = sys.platform,
    launch: Callable[[Sequence[str]], Child] = _launch,
    set_state: Callable[[int], None] = _set_state_on_windows,
) -> Iterator[None]:
    """Ask the system not to sleep until the block ends. Where it cannot be asked, the job goes on without.

    On Windows the request belongs to the calling thread: use it in the one that waits for the whole job.
    """
    if system == "win32":
        with contextlib.suppress(OSError):
            set_state(_ES_CONTINUOUS | _ES_SYSTEM_REQUIRED)
        try:
            yield
        finally:
            with contextlib.suppress(OSError):
                set_state(_ES_CONTINUOUS)
        return
    child: Child | None = None
    # ValueError: a "why" no command line can hold
    with contextlib.suppress(OSError, ValueError):
        child = launch(_command(system, why))
    try:
        yield
    finally:
        if child is not None:
            _end(child)


def _command(system: str, why: str) -> list[str]:
    if system == "darwin":
        return ["caffeinate", "-i", "-m", "-w", str(os.getpid())]
    return ["systemd-inhibit", "--what=sleep:idle", "--who=rollproof", f"--why={why}", "--mode=block", "cat"]


def _end(child: Child) -> None:
    with contextlib.suppress(OSError):
        if child.stdin is not None:
            child.stdin.close()
        child.terminate()
    try:
        child.wait(timeout=_END_SECONDS)
    except (subprocess.TimeoutExpired, OSError):
        with contextlib.suppress(OSError):
            child.kill()
