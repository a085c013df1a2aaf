"""Bits flip on the medium after they were written: none may go unnoticed.

Sixty in the suite, seeded, at any byte of any file; ROLLPROOF_FLIPS sets another number for a campaign. They are
looked for by the offload's own read-back and by `verify`, with the good block still in the page cache.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from random import Random

import pytest

from rollproof.models.requests import Cancel, VerifyRequest
from rollproof.station.context import Context
from rollproof.workflows.verify import verify
from support.devices import Devices, read_warm
from support.faults import Do, Rule
from support.stage import SETTINGS, Stage, real_stage
from support.trees import Blob, Tree

pytestmark = pytest.mark.device

FLIPS = int(os.environ.get("ROLLPROOF_FLIPS", "60"))
TREE: Tree = {
    "CLIPS/A003C001.mov": Blob(700_001, seed=1),
    "CLIPS/A003C002.mov": Blob(40_000, seed=2),
    "CLIPS/A003C002.xml": Blob(5_000, seed=3),
    "SOUND/A003.wav": Blob(131_072, seed=4),
}


@pytest.fixture(params=["ext4", "xfs"])
def place(request: pytest.FixtureRequest, devices: Devices) -> Stage:
    return real_stage(devices, one=request.param, in_memory=True, tree=TREE)


def _places(stage: Stage, seed: int) -> list[tuple[str, int, int]]:
    """Files, offsets and bits, each file as likely as every other, first and last bytes included."""
    chance = Random(seed)
    names = sorted(stage.known.files)
    out = []
    for _ in range(FLIPS // 4):
        path = chance.choice(names)
        size = len(stage.known.content[path])
        offset = chance.choice([0, size - 1, chance.randrange(size), chance.randrange(size)])
        out.append((path.decode(), offset, 1 << chance.randrange(8)))
    return out


@pytest.mark.timeout(600)
def test_no_flipped_bit_escapes_verify(place: Stage) -> None:
    missed: list[str] = []
    folder = place.folders()["one"]
    for number, (path, offset, mask) in enumerate(_places(place, seed=1)):
        if number % 5 == 0:
            place.clear()
            run = place.run()
            assert run.result is not None
            assert run.result.verdict == "proven"
        copy = folder / path
        assert read_warm(copy) == place.known.content[path.encode()]
        place.media["one"].flip(copy, offset, mask)
        result = verify(
            VerifyRequest((os.fsencode(folder),)),
            Context.of(emit=lambda event: None, cancel=Cancel(), settings=SETTINGS),
        )
        if result.copies[0].differ != [path] or int(result.status) != 1:
            missed.append(f"{path} byte {offset} bit {mask:#04x}: differ {result.copies[0].differ}, {result.status}")
        place.media["one"].flip(copy, offset, mask)
    assert not missed, "\n".join(missed)


@pytest.mark.timeout(600)
def test_no_flipped_bit_escapes_the_read_back_of_the_offload_that_wrote_it(place: Stage) -> None:
    missed: list[str] = []
    folder = place.folders()["one"]
    for path, offset, mask in _places(place, seed=2):
        place.clear()

        def flip(copy: Path = folder / path, offset: int = offset, mask: int = mask) -> None:
            read_warm(copy)
            place.media["one"].flip(copy, offset, mask)

        # the first time the finished copy is opened is for its read-back
        run = place.run(
            [Rule(Do(flip), "open_read", path=b"*" + path.encode(), drive=os.fsencode(place.drives["one"]))]
        )
        assert run.result is not None, run.crash
        if not run.io.reached:
            missed.append(f"{path}: never read back")
            continue
        at = next(at for at in run.result.rolls[0].destinations if at.drive == "one")
        if at.state == "proven" or at.files_proven > len(place.known.files) - 1:
            missed.append(f"{path} byte {offset} bit {mask:#04x}: {at.state}, {at.files_proven} proven")
        if not any(finding.kind == "readback-differs" and finding.path == path for finding in at.findings):
            missed.append(f"{path} byte {offset}: no finding names it")
    assert not missed, "\n".join(missed)


def test_a_flip_that_is_undone_leaves_the_copy_right(place: Stage) -> None:
    run = place.run()
    assert run.result is not None
    copy = place.folders()["one"] / "SOUND/A003.wav"
    for _ in range(2):
        place.media["one"].flip(copy, 1000)
    place.media["one"].replug()
    assert read_warm(copy) == place.known.content[b"SOUND/A003.wav"]
    shutil.rmtree(place.folders()["two"])
