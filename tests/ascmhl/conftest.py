"""A roll folder for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ascmhl.mhl_trees import Roll, opened_roll


@pytest.fixture
def roll(tmp_path: Path) -> Iterator[Roll]:
    """An empty roll folder called A003."""
    with opened_roll(tmp_path / "A003") as opened:
        yield opened
