"""What the camera report promises, against what is on the card."""

from __future__ import annotations

import pytest

from rollproof.card.expectation import expectation_findings
from rollproof.models.findings import Kind, Severity
from rollproof.models.tree import Clip


def clips(*names: str) -> list[Clip]:
    return [Clip(name, (number,), 1) for number, name in enumerate(names)]


CARD = clips("A003C001_260514_R1BF", "A003C010_260514_R1BF", "A003C002_260514_R1BF")


@pytest.mark.parametrize("expected", [None, 3])
def test_the_right_number_of_clips_says_nothing(expected: int | None) -> None:
    assert expectation_findings(CARD, expected, None) == []


@pytest.mark.parametrize("expected", [0, 2, 4, 23])
def test_any_other_number_of_clips_is_an_error_with_both_numbers(expected: int) -> None:
    [finding] = expectation_findings(CARD, expected, None)
    assert (finding.kind, finding.severity) == (Kind.EXPECTED_CLIPS, Severity.ERROR)
    assert str(expected) in finding.detail
    assert "3 clips" in finding.detail
    assert finding.remedy


@pytest.mark.parametrize(
    "expected",
    ["A003C010", "a003c010", "A003C010_260514_R1BF", "A003C010_260514_R1BF.mov", " A003C010 ", "A003C010.MXF"],
)
def test_the_last_clip_is_known_by_its_counter_or_its_whole_name(expected: str) -> None:
    assert expectation_findings(CARD, None, expected) == []


@pytest.mark.parametrize(
    ("expected", "word"),
    [
        ("A003C002", "after it"),
        ("A003C023", "not on the card"),
        ("A003C01", "not on the card"),
        ("A003C0101", "not on the card"),
        ("A003", "not on the card"),
        ("A", "not on the card"),
        ("", "not on the card"),
        ("A003C010_", "not on the card"),
        ("B003C010", "not on the card"),
    ],
)
def test_any_other_last_clip_is_an_error_that_names_the_one_on_the_card(expected: str, word: str) -> None:
    [finding] = expectation_findings(CARD, None, expected)
    assert finding.severity is Severity.ERROR
    assert word in finding.detail
    assert "A003C010_260514_R1BF" in finding.detail


def test_an_empty_card_fails_any_expectation() -> None:
    assert len(expectation_findings([], 1, "A003C001")) == 2
    assert expectation_findings([], 0, None) == []


def test_a_roll_alone_names_no_last_clip_even_where_a_gap_follows() -> None:
    card = clips("A003_05140712_C001", "A003_05140812_C002")
    assert expectation_findings(card, None, "A003")
    assert expectation_findings(card, None, "A003_05140812_C002") == []


def test_a_word_without_its_counter_names_no_clip() -> None:
    assert expectation_findings(clips("casting-1", "casting-2"), None, "casting")


def test_a_low_resolution_twin_after_the_last_clip_does_not_matter() -> None:
    card = clips("A003C004_260514", "A003C004_260514S03", "A003C001_260514")
    assert expectation_findings(card, None, "A003C004") == []


def test_hostile_names_are_printed_inert() -> None:
    [finding] = expectation_findings(clips("x\x1b[2J1"), None, "y\x1b[31m")
    assert "\x1b" not in finding.detail
