"""What is known of a copy does not depend on which of two threads was first to say its part."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rollproof.models.findings import Finding, Kind, Severity
from rollproof.models.tree import FileEntry
from rollproof.models.volumes import Evidence
from rollproof.proof.board import CopyState, ProofBoard

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


MANY = 3
_USUAL = (NOW, Evidence.MEDIUM)
SAYS = ("source_hashed", "source_hashed_again", "source_fault", "written", "covered", "copy_hashed", "copy_fault")


@given(
    said=st.lists(
        st.tuples(
            st.sampled_from(SAYS),
            st.integers(0, MANY - 1),
            st.sampled_from([NOW, NOW, NOW, NOW, THEN]),
            st.sampled_from([Evidence.MEDIUM, Evidence.MEDIUM, Evidence.MEDIUM, Evidence.SERVER, Evidence.CACHE]),
        ),
        max_size=2,
    ),
    left_out=st.sets(st.integers(0, 4 * MANY - 1), max_size=1),
    odd=st.dictionaries(
        st.integers(0, 4 * MANY - 1), st.tuples(st.sampled_from([NOW, THEN]), st.sampled_from(Evidence)), max_size=1
    ),
)
@settings(max_examples=400)
def test_what_is_said_of_all_files_is_what_is_said_of_each(
    said: list[tuple[str, int, str, Evidence]], left_out: set[int], odd: dict[int, tuple[str, Evidence]]
) -> None:
    files = [FileEntry(b"C%03d.mov" % number, 9, 1) for number in range(MANY)]
    board = ProofBoard(files, ["one"], ["xxh128"], "xxh128")
    trouble = Finding(Kind.UNREADABLE, Severity.ERROR, "", "")
    usual = [
        (
            ("source_hashed", "source_hashed_again", "written", "copy_hashed")[step % 4],
            step // 4,
            *odd.get(step, _USUAL),
        )
        for step in range(4 * MANY)
        if step not in left_out
    ]
    for what, number, text, evidence in usual + said:
        match what:
            case "source_hashed" | "source_hashed_again":
                getattr(board, what)(number, {"xxh128": text}, evidence)
            case "copy_hashed":
                board.copy_hashed("one", number, {"xxh128": text}, evidence)
            case "source_fault":
                board.source_fault(number, trouble)
            case "copy_fault":
                board.copy_fault("one", number, trouble)
            case "covered":
                board.covered("one", number, text)
            case _:
                board.written("one", number)
    proven = [board.is_proven("one", number) for number in range(MANY)]
    copied = [board.is_copied("one", number) for number in range(MANY)]
    assert (board.all_proven("one"), board.count_proven("one")) == (all(proven), sum(proven))
    assert (board.all_copied("one"), board.count_copied("one")) == (all(copied), sum(copied))
    assert not (board.none_provable() and any(proven))


@pytest.mark.parametrize("evidence", [Evidence.MEDIUM, Evidence.CACHE])
def test_a_card_read_once_or_from_a_cache_proves_nothing_and_that_is_seen_at_once(evidence: Evidence) -> None:
    files = [FileEntry(b"C%03d.mov" % number, 9, 1) for number in range(MANY)]
    board = ProofBoard(files, ["one"], ["xxh128"], "xxh128")
    for number in range(MANY):
        assert board.none_provable()
        board.source_hashed(number, {"xxh128": NOW}, evidence)
    if evidence is Evidence.CACHE:
        board.source_hashed_again(0, {"xxh128": NOW}, Evidence.MEDIUM)
    assert board.none_provable()
    board = ProofBoard(files, ["one"], ["xxh128"], "xxh128")
    board.source_hashed(1, {"xxh128": NOW}, Evidence.MEDIUM)
    board.source_hashed_again(1, {"xxh128": NOW}, Evidence.MEDIUM)
    assert not board.none_provable()
