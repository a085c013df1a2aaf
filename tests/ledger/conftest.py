"""A ledger for every test that wants one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ledger.notes import HERE
from rollproof.ledger.ledger import Ledger
from rollproof.ledger.opening import open_ledger


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """The station's home, not made yet."""
    return tmp_path / "home"


@pytest.fixture
def ledger(home: Path) -> Iterator[Ledger]:
    """An empty ledger of this machine."""
    with open_ledger(home, machine=HERE) as opened:
        yield opened
