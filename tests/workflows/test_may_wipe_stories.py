"""MAY WIPE is given only if a model that holds the true contents agrees, whatever happens to card, drive and ledger."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections import Counter
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from workflows.wipe_world import STEPS, World

SEEDS = (1, 2, 3)
STORIES = int(os.environ.get("ROLLPROOF_WIPE_STORIES", "0")) or 8
"""How many stories for each seed; the campaign tells more."""
_WEIGHTED = [name for name, weight in STEPS.items() for _ in range(weight)]
Step = tuple[str, int, bool]
_steps = st.lists(st.tuples(st.sampled_from(_WEIGHTED), st.integers(0, 999), st.booleans()), min_size=5, max_size=14)


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


@pytest.mark.parametrize("number", SEEDS)
def test_may_wipe_is_given_only_where_the_true_contents_allow_it(number: int) -> None:
    told: Counter[str] = Counter()

    @seed(number)
    @settings(
        max_examples=STORIES,
        deadline=None,
        database=None,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(_steps, st.booleans())
    def stories(steps: list[Step], begins_well: bool) -> None:
        tell(steps, begins_well, told)

    stories()
    print("\n".join(f"{count:6} {what}" for what, count in told.most_common()))
    assert told["MAY WIPE"] >= STORIES, "the answer that matters came too seldom to mean anything"
    assert told["MAY WIPE by listing"] >= STORIES // 4
    assert told["MAY WIPE by reread"] >= STORIES // 4
    assert told["KEEP"] >= STORIES
    assert sum(told[name] > 0 for name in STEPS) >= len(STEPS) - 4, "too many steps that never came"
