"""Numbered segments of one take: what is missing between them, and what may be on another card."""

from __future__ import annotations

from rollproof.media.segments import examine_segments


def test_segments_in_a_row_are_whole() -> None:
    assert examine_segments([1, 2, 3]) == ()
    assert examine_segments([3, 1, 2]) == ()
    assert examine_segments([]) == ()
    assert examine_segments([0, 1], first=0) == ()


def test_a_gap_between_segments_is_damaged() -> None:
    (problem,) = examine_segments([1, 2, 5, 7])

    assert problem.state == "damaged"
    assert problem.detail == "missing between the others: segment 3–4, 6"


def test_one_missing_of_three_is_a_gap_even_if_the_steps_are_equal() -> None:
    assert [problem.state for problem in examine_segments([1, 3])] == ["damaged"]
    assert [problem.state for problem in examine_segments([1, 3, 5])] == ["damaged"]


def test_a_missing_beginning_is_odd_for_the_take_may_run_over_two_cards() -> None:
    (problem,) = examine_segments([3, 4])

    assert problem.state == "odd"
    assert "another card" in problem.meaning


def test_a_number_met_twice_is_odd() -> None:
    assert [problem.state for problem in examine_segments([1, 2, 2, 3])] == ["odd"]
