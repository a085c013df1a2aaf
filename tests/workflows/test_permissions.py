"""What this tool writes for the record is nobody else's to write, whatever the umask of the person is."""

from __future__ import annotations

import os
import stat
import subprocess
from pathlib import Path

import pytest

from support.devices import Devices
from support.station import Station
from workflows.station import CLIPS, fill

pytestmark = pytest.mark.device


def loose(top: Path) -> list[str]:
    """What group or others may write, at or below a folder."""
    every = [top, *top.rglob("*")]
    return [str(path.relative_to(top.parent)) for path in every if stat.S_IMODE(path.lstat().st_mode) & 0o022]


def test_records_keys_and_ledger_are_never_writable_for_others(devices: Devices, tmp_path: Path) -> None:
    card, drive = devices.image("ext4", name="A003").mount, devices.image("ext4", name="primary").mount
    fill(card, CLIPS)
    (tmp_path / "work").mkdir()
    station = Station(tmp_path / "home", tmp_path / "work")
    (tmp_path / "home").mkdir(mode=0o755)
    before = os.umask(0)
    try:
        assert station.run("offload", card, "--roll", "A003", "--to", drive).status == 0
        assert station.run("verify", drive).status == 0
        assert station.run("may-wipe", card).status == 1
        assert station.run("handover", drive, "--to", "the post house").status in (0, 1)
    finally:
        os.umask(before)
    papers = [folder for folder in drive.rglob("*") if folder.name in ("rollproof", "ascmhl")]
    assert len(papers) >= 2
    assert [each for folder in papers for each in loose(folder)] == []
    assert loose(station.home) == []
    footage = [path for path in (drive / "A003").rglob("*.mov") if stat.S_IMODE(path.stat().st_mode) & 0o022]
    assert footage == []
    assert subprocess.run(["find", str(drive / "A003"), "-name", "*.json"], capture_output=True, check=True).stdout
