"""What was odd on a card stays open until it is accepted by name."""

from __future__ import annotations

import pytest

from rollproof.models.findings import Kind
from rollproof.proof.on_the_card import Acceptance, CardFinding, accepted_by, are_others, outstanding

DAMAGED = CardFinding(Kind.DAMAGED_CLIP, "A003C002", "it was damaged")
GAP = CardFinding(Kind.CLIP_NUMBERS_GAP, "A003C002", "it is missing")


@pytest.mark.parametrize(
    ("given", "open_"),
    [
        ([], [DAMAGED, GAP]),
        ([Acceptance("damaged-clip", "A003C002")], [GAP]),
        ([Acceptance("", "A003C002")], []),  # a permit of may-wipe says no kind
        ([Acceptance("damaged-clip", "A003C003")], [DAMAGED, GAP]),
        ([Acceptance("damaged-clip", "a003c002")], [DAMAGED, GAP]),  # records hold whole names
        ([Acceptance("too-few-copies", "A003C002")], [DAMAGED, GAP]),
    ],
)
def test_a_finding_is_open_until_a_record_accepts_it(given: list[Acceptance], open_: list[CardFinding]) -> None:
    assert outstanding([DAMAGED, GAP, DAMAGED], given) == open_


def test_the_newest_acceptance_is_told() -> None:
    first, later = Acceptance("", "A003C002", "she"), Acceptance("damaged-clip", "A003C002", "he")
    assert accepted_by(DAMAGED, [first, later]) is later


@pytest.mark.parametrize(
    ("one", "other", "others"),
    [
        ({"xxh128 1"}, {"xxh128 1"}, False),
        ({"xxh128 1"}, {"xxh128 2"}, True),
        ({"xxh128 1"}, {"md5 2"}, False),  # nothing to compare them by
        ({"xxh128 1", "md5 3"}, {"md5 2"}, True),
        ({"xxh128 1", "xxh128 2"}, {"xxh128 2"}, False),  # a proxy lies in one of them only
        (set(), {"xxh128 1"}, False),
    ],
)
def test_clips_of_one_name_are_others_only_where_a_shared_algorithm_says_so(
    one: set[str], other: set[str], others: bool
) -> None:
    assert are_others(one, other) is others
