"""Memory that nothing needs any more goes back to the system, though something small still lies between it."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

PROGRAM = """
import gc
from rollproof.storage.give_back import give_back_memory

def resident() -> int:
    with open("/proc/self/status") as told:
        return next(int(line.split()[1]) for line in told if line.startswith("VmRSS:"))

class Ring:
    def __init__(self) -> None:
        self.me, self.content = self, bytes(2000)

gc.disable()
kept = []
rings = []
for number in range(30_000):
    rings.append(Ring())
    if number % 50 == 0:
        kept.append(bytes(2000))
before = resident()
del rings
without = resident()
give_back_memory()
print(before, without, resident())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries see to it themselves")
def test_what_refers_only_to_itself_and_the_gaps_between_what_stays_are_given_back() -> None:
    ended = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    before, without, after = map(int, ended.stdout.split())
    assert before - without < 10_000, "the rings should keep each other alive until somebody looks for them"
    assert before - after > 40_000, "most of 60 MB should be back with the system"
