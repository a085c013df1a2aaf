"""MAY WIPE is given only if a model that holds the true contents agrees, whatever happens to card, drive and ledger."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections import Counter
from pathlib import Path
from random import Random

import pytest

from workflows.wipe_world import STEPS, World

SEEDS = (1, 4, 8)
STORIES = int(os.environ.get("ROLLPROOF_WIPE_STORIES", "0")) or 8
"""How many stories for each seed; the campaign tells more."""
_WEIGHTED = [name for name, weight in STEPS.items() for _ in range(weight)]
Step = tuple[str, int, bool]


def a_story(chance: Random, *, longest: int = 14) -> tuple[list[Step], bool]:
    """Its steps, and whether it begins with two good copies."""
    steps: list[Step] = [
        (chance.choice(_WEIGHTED), chance.randrange(1000), chance.random() < 0.5)
        for _ in range(chance.randint(5, longest))
    ]
    return steps, chance.random() < 0.5


def tell(steps: list[Step], begins_well: bool, told: Counter[str]) -> None:
    """One story. A step is its name, its chance, and whether somebody asks after it; somebody asks at the end."""
    folder = Path(tempfile.mkdtemp(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ROLLPROOF_HOME", str(folder / "home"))
        try:
            _tell(World(folder / "desk", told), steps, begins_well, told)
        finally:
            shutil.rmtree(folder)


def _tell(world: World, steps: list[Step], begins_well: bool, told: Counter[str]) -> None:
    try:
        if begins_well:
            world.offload_card(world.drives[:2])
        for name, chance, asks in steps:
            getattr(world, name)(Random(f"{name} {chance}"))
            told[name] += 1
            if asks:
                world.ask(Random(f"ask {chance}"))
        world.ask(Random("the last question"))
    finally:
        world.close()


def shortest(steps: list[Step], begins_well: bool) -> list[Step]:
    """What is left of a story that ends badly when every step is taken out without which it does so too."""
    for step in list(steps):
        fewer = [each for each in steps if each is not step]
        try:
            tell(fewer, begins_well, Counter())
        except AssertionError:
            steps = fewer
    return steps


@pytest.mark.parametrize("seed", SEEDS)
def test_may_wipe_is_given_only_where_the_true_contents_allow_it(seed: int) -> None:
    told: Counter[str] = Counter()
    for number in range(STORIES):
        steps, begins_well = a_story(Random(f"{seed} {number}"))
        try:
            tell(steps, begins_well, told)
        except AssertionError as problem:
            left = shortest(steps, begins_well)
            raise AssertionError(f"story {number}: {problem}: {left!r}, begins well: {begins_well}") from problem
    print("\n".join(f"{count:6} {what}" for what, count in told.most_common()))
    assert told["MAY WIPE"] >= STORIES // 2, "the answer that matters came too seldom to mean anything"
    assert told["MAY WIPE by listing"] >= STORIES // 4
    assert told["MAY WIPE by reread"] >= STORIES // 4
    assert told["KEEP"] >= STORIES
    assert sum(told[name] > 0 for name in STEPS) >= len(STEPS) - 5, "too many steps that never came"
