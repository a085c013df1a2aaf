"""When the others go on without a drive: never for noise, one long call, or less work; always for a slow one."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from rollproof.copying.falling_behind import who_falls_behind
from rollproof.reading.parcels import Waited
from rollproof.reading.settings import Settings

SETTINGS = Settings()
NAMES = st.sampled_from(["one", "two", "three", "hash xxh128"])


def first_to_go(
    seconds_a_block: dict[str, float], seed: int, *, spread: float = 1.0, blocks: int = 1500, read: float = 0.02,
    once: dict[str, tuple[int, float]] | None = None, sizes: dict[str, int] | None = None,
) -> tuple[str, float] | None:  # fmt: skip
    """Plays blocks through the pool, each taking a random time of this mean and relative spread on each consumer;
    `once` is one block that takes so many seconds more. Returns who is let go of first, and when."""
    noise = random.Random(seed)
    shape = 1 / spread**2
    ends = dict.fromkeys(seconds_a_block, 0.0)
    free_at: list[float] = []
    waited: dict[frozenset[str], Waited] = {}
    now = 0.0
    following = {name: 10 for name in seconds_a_block if not name.startswith("hash")} if sizes is None else sizes
    for number in range(blocks):
        ready = now
        if number >= SETTINGS.copy_buffers:
            ready = max(now, free_at[number - SETTINGS.copy_buffers])
            spell: dict[frozenset[str], float] = {}
            while now < ready - 1e-9:
                busy = frozenset(name for name, end in ends.items() if end > now + 1e-9)
                until = min([ready, *(end for name, end in ends.items() if name in busy)])
                spell[busy] = spell.get(busy, 0.0) + until - now
                now = until
            for busy, spent in spell.items():
                waited.setdefault(busy, Waited()).longer(0.0, spent)
        gone = who_falls_behind(waited, following, ready, SETTINGS)
        if gone is not None:
            return gone, ready
        now = ready + noise.gammavariate(4, read / 4)
        for name, mean in seconds_a_block.items():
            took = noise.gammavariate(shape, mean / shape) if mean else 0.0
            at, more = (once or {}).get(name, (-1, 0.0))
            ends[name] = max(ends[name], now) + took + (more if at == number else 0.0)
        free_at.append(max(ends.values()))
    return None


@pytest.mark.parametrize("drives", [("one", "two"), ("one", "two", "three")])
@pytest.mark.parametrize("spread", [0.3, 0.7])
@pytest.mark.parametrize("seconds", [0.03, 0.08, 0.4])
def test_equal_drives_on_a_noisy_machine_stay_together(drives: tuple[str, ...], spread: float, seconds: float) -> None:
    for seed in range(20):
        assert first_to_go(dict.fromkeys(drives, seconds), seed, spread=spread, blocks=400) is None, seed


def test_a_drive_of_half_the_speed_is_found_soon() -> None:
    for seed in range(20):
        gone = first_to_go({"one": 0.04, "two": 0.08}, seed)
        assert gone is not None
        assert gone[0] == "two"
        assert gone[1] < 30, gone


def test_a_steady_drive_of_a_fifth_of_the_speed_costs_the_others_seconds() -> None:
    for seed in range(20):
        gone = first_to_go({"one": 0.07, "two": 0.335}, seed, spread=0.2)
        assert gone is not None
        assert gone[0] == "two"
        assert gone[1] < 6, gone
        gone = first_to_go({"one": 0.02, "two": 0.1}, seed, spread=0.2, read=0.01)
        assert gone is not None
        assert gone[0] == "two"
        assert gone[1] < 2, gone


def test_of_two_drives_that_are_equally_slow_both_go_and_never_the_fast_one() -> None:
    for seed in range(20):
        gone = first_to_go({"one": 0.03, "two": 0.1, "three": 0.1}, seed)
        assert gone is not None
        assert gone[0] in ("two", "three")
        left = {name: seconds for name, seconds in {"one": 0.03, "two": 0.1, "three": 0.1}.items() if name != gone[0]}
        then = first_to_go(left, seed)
        assert then is not None
        assert then[0] in ("two", "three")


def test_a_drive_a_little_slower_is_waited_for() -> None:
    for seed in range(20):
        assert first_to_go({"one": 0.08, "two": 0.088}, seed, spread=0.5, blocks=600) is None


def test_one_call_that_takes_long_sends_nobody_away_but_one_that_does_not_end_does() -> None:
    assert first_to_go({"one": 0.08, "two": 0.08}, 1, spread=0.2, once={"two": (60, 8.0)}) is None
    gone = first_to_go({"one": 0.08, "two": 0.08}, 1, spread=0.2, once={"two": (60, 100.0)})
    assert gone is not None
    assert gone[0] == "two"


def test_slow_hashing_is_no_drive_s_fault() -> None:
    for seed in range(20):
        assert first_to_go({"one": 0.03, "two": 0.05, "hash c4": 0.2}, seed, blocks=600) is None


def test_a_drive_that_has_most_of_the_roll_already_makes_no_other_one_slow() -> None:
    speeds = {"one": 0.0, "two": 0.08}
    assert first_to_go(speeds, 1, sizes={"one": 0, "two": 10}) is None
    assert first_to_go(speeds, 1, sizes={"one": 10, "two": 10}) is not None


WAITED = st.builds(Waited, st.integers(0, 100), st.floats(0, 100), st.floats(0, 100), st.floats(0, 100))


@effort(max_examples=200)
@given(st.dictionaries(st.frozensets(NAMES), WAITED, max_size=12), st.floats(0, 1000))
def test_nobody_falls_behind_alone_and_only_after_others_waited_for_it_long_enough(
    waited: dict[frozenset[str], Waited], seconds: float
) -> None:
    slowest = who_falls_behind(waited, {"one": 1, "two": 1}, seconds, SETTINGS)
    if slowest is not None:
        alone = sum(spent.seconds for busy, spent in waited.items() if busy == {slowest})
        back = sum(spent.seconds for busy, spent in waited.items() if busy == {"one", "two"} - {slowest})
        assert alone - back >= max(SETTINGS.behind_seconds, SETTINGS.behind_share * seconds)
    assert who_falls_behind(waited, {"one": 1}, seconds, SETTINGS) is None
