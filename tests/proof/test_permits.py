"""What a permit says of a card that may have been used again: a table of cases."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from rollproof.proof.permits import CardUse, PermitWord, card_name, judge_permit, permit_words

NOON = datetime(2026, 5, 14, 12, tzinfo=UTC)
PERMIT = CardUse("volume 1", NOON, "six clips")


def use(hours: int, listing: str, card: str = "volume 1") -> CardUse:
    return CardUse(card, NOON + timedelta(hours=hours), listing)


CASES: list[tuple[str, list[CardUse], PermitWord]] = [
    ("offloaded before only", [use(-1, "six clips")], "given"),
    ("nothing is known of the card", [], "given"),
    ("a third copy of the same", [use(-1, "six clips"), use(1, "six clips")], "given"),
    ("more clips since", [use(-1, "six clips"), use(1, "seven clips")], "used again"),
    ("another roll since", [use(-1, "six clips"), use(5, "three clips")], "used again"),
    ("other clips before", [use(-5, "three clips"), use(-1, "six clips")], "given"),
    ("the same without what the production ignores", [use(-1, "less"), use(1, "less")], "given"),
    ("another card", [use(-1, "six clips"), use(1, "seven clips", "volume 2")], "given"),
]


@pytest.mark.parametrize(("uses", "word"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_a_permit_speaks_of_one_listing(uses: list[CardUse], word: PermitWord) -> None:
    assert judge_permit(PERMIT, uses) == word


def test_a_card_is_told_from_others() -> None:
    assert card_name("card:0xbe11", "12-34", "A003") == "card:0xbe11"
    assert card_name("usb:7", "12-34", "A003") == card_name("usb:8", "12-34", "B001") == "volume 12-34"
    assert card_name("usb:7", None, "A003") != card_name("usb:7", None, "B001")


def test_the_sentence_says_when_and_of_what() -> None:
    assert permit_words("used again", "15:28") == "permit given 15:28 for what was on it then; used again since"
    assert permit_words("given", "15:28") == "permit given 15:28 for what was on it then"
    assert permit_words("withdrawn", "15:28") == "permit withdrawn 15:28"
