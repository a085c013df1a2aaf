"""Verify under attack: what must never be passed over, hidden, or waited for."""

from __future__ import annotations

import errno
import os
import shutil
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from copying.faults import HookedIo
from rollproof.drives.system import system_drives
from rollproof.models.errors import ExitStatus, Interrupted
from rollproof.models.requests import Cancel, VerifyRequest
from rollproof.models.results import VerifyResult
from rollproof.models.volumes import MediumWay, Volume
from rollproof.station.context import Context
from rollproof.storage.io import EntryKind, Io
from rollproof.storage.posix import LinuxIo
from rollproof.workflows.verify import verify
from workflows.station import SMALL, Station, add_patterns, change_quietly

CLIP = "CLIP/A003C001_260514.mov"


@pytest.fixture
def station(tmp_path: Path) -> Station:
    made = Station(tmp_path)
    made.offload()
    return made


def run(*paths: Path, io: Io | None = None, drives: Any = None, cancel: Cancel | None = None) -> VerifyResult:
    return verify(
        VerifyRequest(paths=tuple(os.fsencode(path) for path in paths)),
        Context.of(emit=lambda event: None, cancel=cancel or Cancel(), io=io, drives=drives, settings=SMALL),
    )


class OneBadFolder(LinuxIo):
    """A folder that cannot be listed."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._folder = str(folder)

    def list_folder(self, folder: int) -> list[tuple[bytes, EntryKind]]:
        if os.readlink(f"/proc/self/fd/{folder}") == self._folder:
            raise OSError(errno.EIO, "Input/output error")
        return super().list_folder(folder)


def test_a_day_that_cannot_be_searched_keeps_its_drive_from_being_called_proven(station: Station) -> None:
    day = station.one / "day_002"
    shutil.copytree(station.roll(station.one), day / "A004")
    result = run(station.one, io=OneBadFolder(day))
    assert [copy.verdict for copy in result.copies] == ["proven"]
    assert result.verdict == "not proven"
    assert result.status is not ExitStatus.DONE
    assert str(day) in result.findings[0].detail


def test_a_folder_that_every_drive_keeps_to_itself_is_no_reason_to_doubt_it(station: Station) -> None:
    (station.one / "lost+found").mkdir()
    assert run(station.one, io=OneBadFolder(station.one / "lost+found")).verdict == "proven"


def test_a_roll_too_deep_to_be_found_is_not_passed_over_in_silence(station: Station) -> None:
    deep = station.one.joinpath(*(f"{number}" for number in range(14)))
    shutil.copytree(station.roll(station.one), deep / "A004")
    assert run(station.one).verdict == "not proven"


def test_ctrl_c_while_rolls_are_looked_for_is_no_answer(station: Station) -> None:
    cancel = Cancel()
    cancel.set()
    with pytest.raises(Interrupted):
        run(station.one, cancel=cancel)


def test_an_ignore_pattern_cannot_hide_a_recorded_file_that_was_changed(station: Station) -> None:
    roll = station.roll(station.one)
    add_patterns(roll, ["*.mov"])
    change_quietly(roll / CLIP)
    (copy,) = run(roll).copies
    assert copy.verdict == "not proven"
    assert copy.differ == [CLIP]


def test_an_ignore_pattern_cannot_hide_a_recorded_file_that_is_gone(station: Station) -> None:
    roll = station.roll(station.one)
    add_patterns(roll, ["/CLIP/"])
    (roll / CLIP).unlink()
    (copy,) = run(roll).copies
    assert copy.missing == [CLIP]


def test_a_thousand_ignore_patterns_are_one_warning_and_every_file_is_read(station: Station) -> None:
    add_patterns(station.roll(station.one), [f"*.{number}" for number in range(1000)])
    result = run(station.one, station.two)
    # the record beside it knows the manifest as it was
    assert [copy.verdict for copy in result.copies] == ["not proven", "proven"]
    assert {"ignored", "manifest-changed"} <= {finding.kind.value for finding in result.copies[0].findings}
    assert result.copies[0].files == result.copies[1].files and not result.copies[0].differ


def test_a_read_that_never_comes_back_is_named_and_the_other_copy_is_proven(station: Station) -> None:
    let_go = threading.Event()

    def hook(operation: str, name: bytes, given: tuple[Any, ...]) -> None:
        if operation != "read" or name != os.path.basename(CLIP).encode():
            return
        if os.readlink(f"/proc/self/fd/{given[0]}").startswith(str(station.one)):
            let_go.wait(60)

    try:
        result = run(station.one, station.two, io=HookedIo(hook))
    finally:
        let_go.set()
    assert [copy.verdict for copy in result.copies] == ["not proven", "proven"]
    assert result.status is ExitStatus.NOT_FINISHED
    assert station.kinds(result) == {"drive-hangs"}
    assert len(station.records(station.one)) == 1


class Replugged:
    """The same drives, as if they had been taken away and plugged in again, on a file system that shows nothing."""

    def __init__(self, *, times: int) -> None:
        self._real = system_drives()
        self._times = times

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def volume_of(self, path: bytes) -> Volume:
        found = self._real.volume_of(path)
        sequence = (found.device.disk_sequence or 1) + self._times
        return replace(found, way=MediumWay.NONE, device=replace(found.device, disk_sequence=sequence))


def test_a_medium_that_was_away_since_the_write_is_read_from_itself_whatever_its_file_system(tmp_path: Path) -> None:
    station = Station(tmp_path)
    card = station.offload_one(drives=Replugged(times=0))
    assert {destination.state for destination in card.destinations} == {"copied"}
    (still_here,) = run(station.one, drives=Replugged(times=0)).copies
    assert still_here.readback == "cache"
    (away,) = run(station.one, drives=Replugged(times=1)).copies
    assert away.readback == "medium"
