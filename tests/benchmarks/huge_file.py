"""One file of a terabyte, offloaded to one drive in flat memory; prints seconds and peak memory as JSON.

    python -m benchmarks.huge_file FOLDER GIGABYTES

The card's file is sparse, and so is the copy: at the seam to the operating system a block of zeros is not written but
left out, and a read of the card or the copy that lies in a hole is answered without asking the disk. All else is the
real thing: every byte goes through the buffers and is hashed three times.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from pathlib import Path

from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.offload import offload

_ZEROS = bytes(8 << 20)


class HoleyIo(LinuxIo):
    """Blocks of zeros are left out when written."""

    def write_from(self, handle: int, view: memoryview, offset: int) -> int:
        if view.tobytes() == _ZEROS[: len(view)]:
            os.truncate(handle, max(os.fstat(handle).st_size, offset + len(view)))
            return len(view)
        return super().write_from(handle, view, offset)

    def allocate(self, handle: int, size: int) -> None:
        """The space is not reserved: it is the point that it is never needed."""


class HoleyDrivesIo(HoleyIo):
    """The drive says that it has room."""

    def free_bytes(self, handle: int) -> int:
        return 1 << 50


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
        emit=lambda event: None,
        cancel=Cancel(),
        io=HoleyDrivesIo(),
    )
    states = [destination.state for roll in result.rolls for destination in roll.destinations]
    findings = [finding.detail for finding in result.findings][:3]
    print(
        json.dumps(
            {
                "states": states,
                "seconds": round(time.monotonic() - began, 1),
                "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
                "verdict": result.verdict,
                "findings": findings,
            }
        )
    )


if __name__ == "__main__":
    main()
