"""A roll folder for every test of records."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from records.samples import Roll, roll_folder


@pytest.fixture
def roll(tmp_path: Path) -> Iterator[Roll]:
    """An empty roll folder on a drive."""
    with roll_folder(tmp_path / "The Bell Foundry" / "A003") as opened:
        yield opened
