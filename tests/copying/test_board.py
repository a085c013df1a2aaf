"""What is known of a copy does not depend on which of two threads was first to say its part."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from rollproof.copying.board import CopyState, ProofBoard
from rollproof.models.findings import Kind
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence

NOW, THEN = "a" * 32, "b" * 32


@pytest.mark.parametrize("card_first", [True, False], ids=["the card first", "the record first"])
def test_a_record_is_compared_with_the_card_whichever_came_first(card_first: bool) -> None:
    board = ProofBoard([FileEntry(b"C001.mov", 9, 1)], ["one"], ["xxh128"], "xxh128")
    says: list[Callable[[], None]] = [
        lambda: board.source_hashed(0, {"xxh128": NOW}, Evidence.MEDIUM),
        lambda: board.covered("one", 0, THEN),
    ]
    for say in says if card_first else reversed(says):
        say()
    assert board.copy_state("one", 0) is CopyState.DIFFERS
    assert [finding.kind for finding in board.copy_findings("one")] == [Kind.DIFFERENT_CONTENT]
    assert not board.is_copied("one", 0)
