"""How much is read at once, and by how many reads: by the kind of device, or as somebody asked."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from rollproof.copying.settings import Settings
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.volumes import Device
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.offload import offload


@pytest.mark.parametrize(
    ("kind", "rotational", "reads"),
    [("disk", True, 2), ("disk", None, 2), ("disk", False, 4), ("network", None, 4), ("memory", None, 4)],
)
def test_where_heads_may_have_to_travel_few_reads_are_in_flight_unless_somebody_asks(
    kind: str, rotational: bool | None, reads: int
) -> None:
    device = Device(key="8:1", kind=kind, rotational=rotational)
    assert Settings().reads_on(device, 4) == reads
    assert Settings().reads_on(device, 1) == 1
    assert Settings(reads=7).reads_on(device, 4) == 7


class Watched(LinuxIo):
    """Remembers the longest read below a folder, and how many were in flight there at once."""

    def __init__(self, top: Path) -> None:
        super().__init__()
        self._top = os.fspath(top)
        self._lock = threading.Lock()
        self._now = 0
        self.most = self.longest = 0

    def read_into(self, handle: int, view: memoryview, offset: int) -> int:
        if not os.readlink(f"/proc/self/fd/{handle}").startswith(self._top):
            return super().read_into(handle, view, offset)
        with self._lock:
            self._now += 1
            self.most = max(self.most, self._now)
            self.longest = max(self.longest, len(view))
        try:
            return super().read_into(handle, view, offset)
        finally:
            with self._lock:
                self._now -= 1


@pytest.mark.parametrize(
    ("kind", "rotational", "files"), [("disk", True, 1), ("disk", None, 32), ("disk", False, 32), ("network", None, 32)]
)
def test_small_files_are_read_together_where_no_heads_travel_and_nobody_asked_for_a_number_of_reads(
    kind: str, rotational: bool | None, files: int
) -> None:
    device = Device(key="8:1", kind=kind, rotational=rotational)
    assert Settings().files_on(device) == files
    assert Settings(reads=7).files_on(device) == 1, "seven reads are seven, not seven times as many"


def test_blocks_and_reads_are_those_that_somebody_asked_for(tmp_path: Path) -> None:
    card, drive = tmp_path / "card", tmp_path / "one"
    card.mkdir()
    drive.mkdir()
    (card / "A003C001.mov").write_bytes(os.urandom(20 << 20))
    io = Watched(card)
    request = OffloadRequest(
        cards=(bytes(card),),
        destinations=(bytes(drive),),
        roll="A003",
        block_mib=3,
        reads=1,
        working_folder=bytes(tmp_path),
    )
    result = offload(request, emit=lambda event: None, cancel=Cancel(), io=io, look=False)
    # the two reads of the card follow each other
    assert (io.longest, io.most) == (3 << 20, 1)
    assert (drive / "A003" / "A003C001.mov").read_bytes() == (card / "A003C001.mov").read_bytes()
    assert result.rolls[0].destinations[0].state in ("proven", "copied")
