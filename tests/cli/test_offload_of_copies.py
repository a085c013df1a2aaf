"""The end of a copy of a copy on the screen: no word of a card, and where it came from."""

from __future__ import annotations

import pytest

from cli.results import a_roll, an_offload
from rollproof.cli.views.offload_summary import offload_lines
from rollproof.models.results import RollResult


def copied(**changes: object) -> RollResult:
    """A roll that was copied from a recorded copy."""
    made = {"source_kind": "copy", "card": None, "card_path": "/mnt/primary/A003", "source_reads": 1, **changes}
    return a_roll().model_copy(update=made)


@pytest.mark.parametrize("changes", [{}, {"enough_copies": False}, {"verdict": "not proven"}, {"interrupted": True}])
def test_nothing_is_said_of_a_card(changes: dict[str, object]) -> None:
    text = "\n".join(line.plain for line in offload_lines(an_offload(copied(**changes))))
    assert "card" not in text.lower()
    assert "A copy of a recorded roll, read and compared with its records:\n  /mnt/primary/A003" in text
