"""What a test mounts is seen by that test's process and those it starts, and by nobody else."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from support.devices import Devices

pytestmark = pytest.mark.device


def test_a_drive_is_mounted_for_this_process_and_its_children_and_for_nobody_else(devices: Devices) -> None:
    drive = devices.image()
    mount = os.fsencode(drive.mount)
    with open("/proc/self/mounts", "rb") as ours, open("/proc/1/mounts", "rb") as of_the_machine:
        assert mount in ours.read()
        assert mount not in of_the_machine.read()
    show = "print(open('/proc/self/mounts').read())"
    done = subprocess.run([sys.executable, "-c", show], capture_output=True, check=True)
    assert mount in done.stdout
