"""In which order tests run, and which worker runs them: what is quick first, so that a simple mistake is told soon."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

SLOW_ROOMS = frozenset({"audit", "e2e", "faults", "fuzz", "hostile", "legacy", "workflows"})
"""Rooms of whole jobs, of attacks and of floods: all of their tests are slow, but for those marked `path`."""
BOTTOM_UP = (
    "proof", "storage", "hashing", "records", "ascmhl", "ledger", "production", "reports", "media", "tree", "reading",
    "card", "drives", "clips", "copying", "station", "copies", "cli",
)  # fmt: skip
"""What others stand upon is tested before them."""
TOGETHER = frozenset({"tests/audit/test_planted_defects.py"})
"""Modules whose tests share something that takes very long to make: they go to one worker."""
LONGEST = (
    "tests/audit/test_planted_defects.py",
    "tests/faults/test_kills.py",
    "tests/faults/test_campaigns.py",
    "tests/legacy/test_kept_set.py",
    "tests/workflows/test_may_wipe_stories.py",
    "tests/faults/test_hostile_places.py",
    "tests/faults/test_power_cuts.py",
    "tests/faults/test_flips.py",
    "tests/hostile/test_something_else_there.py",
    "tests/workflows/test_copies_on_devices.py",
)
"""The slow modules that begin first, so that no worker is left alone with one of them in the end."""


def _room(nodeid: str) -> str:
    parts = PurePosixPath(nodeid.partition("::")[0]).parts
    return parts[1] if len(parts) > 2 else ""


def mark_slow(item: pytest.Item) -> None:
    """Mark what `make quick` leaves out."""
    own = any(item.get_closest_marker(name) for name in ("device", "e2e"))
    of_room = _room(item.nodeid) in SLOW_ROOMS and item.get_closest_marker("path") is None
    if own or of_room:
        item.add_marker(pytest.mark.slow)


def turn_of(item: pytest.Item) -> tuple[int, int]:
    """What the order of the tests goes by; within one turn they stay as they were found, module by module."""
    if item.get_closest_marker("slow") is None:
        room = _room(item.nodeid)
        return 0, BOTTOM_UP.index(room) if room in BOTTOM_UP else len(BOTTOM_UP)
    module = item.nodeid.partition("::")[0]
    return 1, LONGEST.index(module) if module in LONGEST else len(LONGEST)


class InTurn(LoadScopeScheduling):  # type: ignore[misc]  # (xdist brings no types)
    """A worker that is free takes the next test; the tests of a module in `TOGETHER` count as one."""

    def __init__(self, config: pytest.Config, log: Producer | None = None) -> None:
        super().__init__(config, log)
        config.option.loadscopereorder = False

    def _split_scope(self, nodeid: str) -> str:
        module = nodeid.partition("::")[0]
        return module if module in TOGETHER else nodeid


def in_turn(items: Sequence[pytest.Item]) -> list[pytest.Item]:
    """All items, each marked and in its turn."""
    for item in items:
        mark_slow(item)
    return sorted(items, key=turn_of)
