"""Sleeps of the computer, counted; and what tells that a card was put in anew."""

from __future__ import annotations

import pytest

from rollproof.proof.sleep import medium_key, slept_since


@pytest.mark.parametrize(
    ("then", "now", "slept"),
    [
        (0.0, 0.0, 0.0),
        (10.0, 10.2, 0.0),  # read one after the other
        (10.0, 3_610.0, 3_600.0),
        (10.0, 11.0, 1.0),
        (None, 3_600.0, 0.0),
        (10.0, None, 0.0),
    ],
)
def test_how_long_the_computer_slept(then: float | None, now: float | None, slept: float) -> None:
    assert slept_since(then, now) == pytest.approx(slept)


def test_a_card_put_in_anew_has_another_key() -> None:
    first = medium_key("boot", 7, "serial")
    assert medium_key("boot", 8, "serial") != first
    assert medium_key("next boot", 7, "serial") != first
    assert medium_key("boot", 7, "another") == first, "the disk did not go away: its number tells"


def test_without_a_disk_number_only_a_restart_tells() -> None:
    assert medium_key("boot", None, "serial") == medium_key("boot", None, "serial")
    assert medium_key("boot", None, "serial") != medium_key("next boot", None, "serial")
    assert medium_key("boot", None, None) is None
    assert medium_key(None, 7, "serial") is None
