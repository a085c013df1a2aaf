"""How much is read at once, and by how many reads: by the kind of device, or as somebody asked."""

from __future__ import annotations

import os
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from records.samples import drive
from rollproof.models.requests import Cancel, OffloadRequest
from rollproof.models.volumes import Device, MediumWay, Volume
from rollproof.reading.settings import Settings
from rollproof.station.context import Context
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


def on(kind: str, rotational: bool | None, way: MediumWay) -> Volume:
    return drive(device=Device(key="8:1", kind=kind, rotational=rotational), way=way)


@pytest.mark.parametrize(
    ("kind", "rotational", "files"), [("disk", True, 1), ("disk", None, 32), ("disk", False, 32), ("loop", None, 32)]
)
def test_small_files_are_read_together_where_no_heads_travel_and_nobody_asked_for_a_number_of_reads(
    kind: str, rotational: bool | None, files: int
) -> None:
    volume = on(kind, rotational, MediumWay.DIRECT)
    assert Settings().files_on(volume) == files
    assert Settings(reads=7).files_on(volume) == 1, "seven reads are seven, not seven times as many"


@pytest.mark.parametrize("way", MediumWay)
def test_small_files_are_read_together_only_where_the_kernel_itself_answers_for_them(way: MediumWay) -> None:
    local = way in (MediumWay.DIRECT, MediumWay.DIRECT_AFTER_EVICTION)
    assert Settings().files_on(on("disk", False, way)) == (32 if local else 1)
    memory = replace(on("memory", None, MediumWay.NONE), file_system="tmpfs")
    assert Settings().files_on(memory) == 32
    assert Settings().files_on(replace(memory, file_system="fuse.exfat")) == 1, "a FUSE program on a disk in memory"


@pytest.mark.parametrize(
    ("kind", "rotational", "way", "flushes"),
    [
        ("disk", True, MediumWay.DIRECT, 1),
        ("disk", None, MediumWay.DIRECT, 1),
        ("disk", False, MediumWay.DIRECT, 8),
        ("disk", False, MediumWay.WINDOWS_UNBUFFERED, 8),
        ("disk", False, MediumWay.DEVICE_PAGES_DROPPED, 1),
        ("network", None, MediumWay.SERVER, 8),
    ],
)
def test_small_files_are_flushed_at_the_same_time_where_that_is_no_more_work_for_the_device(
    kind: str, rotational: bool | None, way: MediumWay, flushes: int
) -> None:
    assert Settings().flushes_on(on(kind, rotational, way)) == flushes


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
    result = offload(request, Context.of(emit=lambda event: None, cancel=Cancel(), io=io), look=False)
    # the two reads of the card follow each other
    assert (io.longest, io.most) == (3 << 20, 1)
    assert (drive / "A003" / "A003C001.mov").read_bytes() == (card / "A003C001.mov").read_bytes()
    assert result.rolls[0].destinations[0].state in ("proven", "copied")
