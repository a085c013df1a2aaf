"""Links planted on a drive at seeded instants of an offload: whatever the moment, nothing outside is touched."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import pytest

from hostile.place import Watch
from support.counting import FAULTS
from support.faults import Do, Rule
from support.invariants import Known
from support.stage import ROLL, Stage, stage
from support.trees import build

_SEED = 20260514
_INSTANTS = 8
"""For each thing to plant."""

CLIP = "CLIPS/A003C001.mov"
_PARTIAL = ".rollproof-partial"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("planted") / "stage") as made:
        yield made


@pytest.fixture(scope="module")
def outside(place: Stage) -> Path:
    """A folder of somebody else on the same drive, so that no difference of devices saves us."""
    folder = build(
        place.drives["one"] / "outside",
        {
            "A003C001.mov": b"another production's",
            "A003.xml": b"another production's",
            "ascmhl_chain.xml": b"another production's",
            "secret.txt": b"private",
        },
    )
    return folder


@pytest.fixture(scope="module")
def calls(place: Stage, outside: Path) -> int:
    """How many calls an offload makes that nobody disturbs."""
    run = place.run()
    assert run.result is not None, run.crash
    count = len(run.io.calls)
    place.clear()
    return count


def _instead(folder: str) -> Callable[[Path, Path], None]:
    def plant(drive: Path, outside: Path) -> None:
        at = drive / folder
        if at.exists():
            at.rename(drive / f"moved-{folder.replace('/', '-')}")
        at.parent.mkdir(exist_ok=True)
        at.symlink_to(outside, target_is_directory=True)

    return plant


def _at(name: str, link: Callable[[Path, Path], None]) -> Callable[[Path, Path], None]:
    def plant(drive: Path, outside: Path) -> None:
        at = drive / ROLL / name
        at.parent.mkdir(parents=True, exist_ok=True)
        at.unlink(missing_ok=True)
        link(at, outside / "secret.txt")

    return plant


def _symbolic(at: Path, target: Path) -> None:
    at.symlink_to(target)


def _hard(at: Path, target: Path) -> None:
    os.link(target, at)


PLANTS: dict[str, Callable[[Path, Path], None]] = {
    "a link in place of the roll folder": _instead(ROLL),
    "a link in place of a folder of the card": _instead(f"{ROLL}/CLIPS"),
    "a link in place of rollproof": _instead(f"{ROLL}/rollproof"),
    "a link in place of ascmhl": _instead(f"{ROLL}/ascmhl"),
    "a link under a temporary name": _at(CLIP + _PARTIAL, _symbolic),
    "a hard link under a temporary name": _at(CLIP + _PARTIAL, _hard),
    "a link under a final name": _at(CLIP, _symbolic),
    "a hard link under a final name": _at(CLIP, _hard),
    "a link in place of the marker": _at("NOT-FINISHED" + _PARTIAL, _symbolic),
    "a link in place of the chain": _at("ascmhl/ascmhl_chain.xml", _symbolic),
}


@pytest.mark.parametrize("what", PLANTS)
def test_nothing_outside_is_touched_whenever_a_link_is_planted(
    place: Stage, outside: Path, calls: int, what: str
) -> None:
    before = Known.of(outside)
    chance = Random(f"{_SEED}/{what}")
    for instant in sorted(chance.sample(range(1, calls + 1), _INSTANTS)):
        _tidy(place)
        watch = Watch(outside)
        try:

            def plant(watch: Watch = watch) -> None:
                with contextlib.suppress(OSError):
                    PLANTS[what](place.drives["one"], outside)
                watch.seen()  # planting a hard link touches the file it leads to

            run = place.run([Rule(Do(plant), index=instant)])
            touched = watch.seen()
        finally:
            watch.close()
        where = f"seed {_SEED}, call {instant}"
        assert not run.crash, f"{where}: {run.crash}"
        assert not run.hung, where
        assert run.result is not None, where
        assert before.changes(outside) == [], where
        if "hard" not in what:
            assert touched == set(), where
        assert run.states().get("two") in (None, "proven"), where
        FAULTS.add("link planted during an offload")
    _tidy(place)


def _tidy(place: Stage) -> None:
    """Take away the roll, what was moved aside, and the links."""
    for path in place.drives["one"].iterdir():
        if path.is_symlink():
            path.unlink()
        elif path.name.startswith("moved-"):
            shutil.rmtree(path)
    place.clear()
