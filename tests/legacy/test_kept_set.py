"""Drives and ledgers that an earlier version wrote are read with the same answers. See README.md in this folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from legacy.kept import HERE, Kept, ask_images, ask_trees

ANSWERS: dict[str, dict[str, Any]] = json.loads((HERE / "answers.json").read_text())


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return Kept.unpacked(tmp_path / "kept")


def as_read_back(answers: dict[str, Any]) -> dict[str, Any]:
    """As JSON has it: no tuples."""
    read: dict[str, Any] = json.loads(json.dumps(answers))
    return read


def test_the_set_is_what_its_readme_says() -> None:
    size = sum(path.stat().st_size for path in HERE.glob("*.tar.xz"))
    assert size < 1 << 20
    assert ANSWERS["trees"]["rolls"][1][0]["permit"] == "given"
    assert ANSWERS["images"]["may-wipe A003 verified"][1] == "MAY WIPE"


def test_kept_ledgers_and_the_files_of_kept_drives_are_read_with_the_same_answers(kept: Kept) -> None:
    assert as_read_back(ask_trees(kept)) == ANSWERS["trees"]


@pytest.mark.device
def test_kept_drives_are_read_with_the_same_answers(kept: Kept) -> None:
    assert as_read_back(ask_images(kept)) == ANSWERS["images"]
