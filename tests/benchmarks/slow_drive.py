"""An offload in which one drive takes its bytes slower than the other; prints when each was proven, as JSON.

    python -m benchmarks.slow_drive CARD FAST [SLOW MEGABYTES_PER_SECOND]

The slow one is slowed down at the seam to the operating system: its writes and read-backs wait as long as a drive of
that speed would have them wait. Everything else is the real thing.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time

from rollproof.models.events import CardFree, Event, Leg, LegEnded, LegStarted
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.station.context import Context
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.offload import offload


class SlowedIo(LinuxIo):
    """Real calls; those on files below `top` take at least as long as `rate` bytes per second allow."""

    def __init__(self, top: bytes, rate: float) -> None:
        super().__init__()
        self._top = top
        self._rate = rate
        self._free_at = 0.0
        self._lock = threading.Lock()

    def _wait(self, handle: int, count: int) -> None:
        if not os.readlink(f"/proc/self/fd/{handle}").startswith(os.fsdecode(self._top)):
            return
        with self._lock:
            now = time.monotonic()
            self._free_at = max(self._free_at, now) + count / self._rate
            until = self._free_at
        time.sleep(max(until - time.monotonic(), 0.0))

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        count = super().write_from(handle, view, offset)
        self._wait(handle, count)
        return count

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        count = super().read_into(handle, view, offset)
        self._wait(handle, count)
        return count


def main() -> None:
    """Run once."""
    card, *drives = (os.path.realpath(os.fsencode(word)) for word in sys.argv[1:4])
    io = SlowedIo(drives[1], float(sys.argv[4]) * 1e6) if len(drives) > 1 else LinuxIo()
    began = time.monotonic()
    at: dict[str, float] = {}

    def emit(event: Event) -> None:
        now = round(time.monotonic() - began, 3)
        if isinstance(event, LegEnded) and event.leg is Leg.RECORD:
            at[f"proven {event.drive}"] = now
        if isinstance(event, LegStarted) and event.leg is Leg.CATCH_UP:
            at[f"behind {event.drive}"] = now
        if isinstance(event, CardFree):
            at["card free"] = now

    result = offload(
        OffloadRequest(cards=(card,), destinations=tuple(drives), roll="A003"),
        Context.of(emit=emit, cancel=Cancel(), io=io),
    )
    states = [destination.state for roll in result.rolls for destination in roll.destinations]
    print(json.dumps({"at": at, "states": states, "seconds": round(time.monotonic() - began, 3)}))


if __name__ == "__main__":
    main()
