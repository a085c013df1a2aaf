"""`make demo`: both answers where the machine allows it, a reason where it does not, and nothing left behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

DEMO = Path(__file__).resolve().parents[2] / "tools" / "demo.py"


def _start(folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, DEMO, folder], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        start_new_session=True,
    )  # fmt: skip


def _left_behind(folder: Path) -> list[str]:
    mounts = Path("/proc/self/mounts").read_text().splitlines()
    loops = []
    for told in Path("/sys/block").glob("loop*/loop/backing_file"):
        with contextlib.suppress(OSError):  # detached by somebody else just now
            loops.append(told.read_text())
    return [line for line in [*mounts, *loops] if str(folder) in line]


@pytest.mark.device
def test_the_demo_shows_both_answers_on_devices_of_their_own(tmp_path: Path) -> None:
    process = _start(tmp_path / "demo")
    told, _ = process.communicate(timeout=120)
    assert process.returncode == 0, told
    lines = told.splitlines()
    assert "MAY WIPE" in lines
    assert "KEEP" in lines
    assert lines.index("MAY WIPE") < lines.index("KEEP")
    assert _left_behind(tmp_path) == []
    assert list((tmp_path / "demo/what-lay-on-the-backup-drive").glob("*/ascmhl/*.mhl"))


@pytest.mark.device
def test_a_demo_that_is_interrupted_leaves_nothing_mounted(tmp_path: Path) -> None:
    process = _start(tmp_path / "demo")
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("$ rollproof offload"):
            break
    os.killpg(process.pid, signal.SIGINT)
    process.communicate(timeout=60)
    assert process.returncode == 130
    assert _left_behind(tmp_path) == []


def test_a_demo_without_devices_says_why_it_can_only_be_keep(tmp_path: Path) -> None:
    script = (
        "import sys; sys.argv = ['demo', sys.argv[2], sys.argv[1]]; sys.path.insert(0, sys.argv.pop());"
        "from tools import demo; demo.why_no_desk = lambda: 'this is a test';"
        "sys.exit(demo.main(sys.argv[1:]))"
    )
    command = [sys.executable, "-c", script, str(DEMO.parents[1]), str(tmp_path / "demo")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "KEEP" in done.stdout.splitlines()
    assert "MAY WIPE" not in done.stdout.splitlines()
    assert "because: this is a test" in done.stdout
