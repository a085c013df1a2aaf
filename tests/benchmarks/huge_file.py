"""One file of a terabyte, offloaded to one drive in flat memory; prints seconds and peak memory as JSON.

    python -m benchmarks.huge_file FOLDER GIGABYTES

The card's file is sparse, and so is the copy: at the seam to the operating system a block of zeros is not written but
left out, and a read of the card or the copy that lies in a hole is answered without asking the disk; and the drive
says that it has room. All else is the real thing: every byte goes through the buffers and is hashed three times.
"""

from __future__ import annotations

import functools
import json
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

from xxhash import xxh3_128_digest

from benchmarks.ground import own_peak_mib
from rollproof.drives.system import system_drives
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.volumes import Volume
from rollproof.station.context import Context
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.offload import offload
from support.still_drives import StillDrives

_BLOCK = bytes(8 << 20)
_ROOM = 1 << 50


@functools.cache
def _of_zeros(size: int) -> bytes:
    return xxh3_128_digest(_BLOCK[:size])


class HoleyIo(LinuxIo):
    """Blocks of zeros are left out when written."""

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        # by hash: a comparison would copy the block first
        if len(view) <= len(_BLOCK) and xxh3_128_digest(view) == _of_zeros(len(view)):
            os.truncate(handle, max(os.fstat(handle).st_size, offset + len(view)))
            return len(view)
        return super().write_from(handle, view, offset)

    def allocate(self, handle: int, size: int) -> None:
        """The space is not reserved: it is the point that it is never needed."""


class RoomyDrives(StillDrives):
    """Every drive has room for the copy: what is left out needs none."""

    def volume_of(self, path: bytes) -> Volume:
        """See `Drives`."""
        return replace(super().volume_of(path), free_bytes=_ROOM)


def main() -> None:
    """Run once."""
    top, size = Path(sys.argv[1]), int(float(sys.argv[2]) * 1e9) // (8 << 20) * (8 << 20)
    card, drive = top / "huge-card", top / "huge-drive"
    card.mkdir()
    drive.mkdir()
    with open(card / "A003C001.mov", "wb") as file:
        file.truncate(size)
    began = time.monotonic()
    result = offload(
        OffloadRequest(cards=(os.fsencode(card),), destinations=(os.fsencode(drive),), roll="A003"),
        Context.of(emit=lambda event: None, cancel=Cancel(), io=HoleyIo(), drives=RoomyDrives(system_drives())),
    )
    states = [destination.state for roll in result.rolls for destination in roll.destinations]
    findings = [finding.detail for finding in result.findings][:3]
    print(
        json.dumps(
            {
                "states": states,
                "seconds": round(time.monotonic() - began, 1),
                "peak_mib": own_peak_mib(),
                "verdict": result.verdict,
                "findings": findings,
            }
        )
    )


if __name__ == "__main__":
    main()
